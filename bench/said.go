package bench

import (
	"slices"
	"strings"

	"sawhorse/bench/judge"
	"sawhorse/bench/tool"
)

// said puts what a tool reported into the judge's words. reads are the fields
// that the tool's profile can read at all; a report says a list even when the
// list is empty.
func said(r *tool.Report, reads judge.Fields) *judge.Report {
	j := &judge.Report{Reads: reads}
	say := func(f judge.Fields, ok bool) {
		if ok {
			j.Says |= f
		}
	}
	j.VIN = r.VIN
	say(judge.FieldVIN, r.HasVIN)
	for _, e := range r.ECUs {
		j.ECUs = append(j.ECUs, e.Name)
		j.Addresses = append(j.Addresses, strings.ToUpper(e.Address))
	}
	say(judge.FieldECUs, r.ECUs != nil)
	for _, l := range []struct {
		field judge.Fields
		from  []tool.Code
		to    *[]string
	}{
		{judge.FieldStored, r.Stored, &j.Stored},
		{judge.FieldPending, r.Pending, &j.Pending},
		{judge.FieldPermanent, r.Permanent, &j.Permanent},
	} {
		say(l.field, l.from != nil)
		for _, c := range l.from {
			*l.to = append(*l.to, c.Code)
		}
	}
	if say(judge.FieldLamp, r.MIL != nil); r.MIL != nil {
		j.Lamp = *r.MIL
	}
	if say(judge.FieldLearn, r.Learn != nil); r.Learn != nil {
		j.Learn = learnWord(r.Learn.Outcome)
	}
	j.Readiness = readiness(r.Readiness)
	say(judge.FieldReadiness, r.Readiness != nil)
	for _, v := range r.Live {
		j.Live = append(j.Live, judge.Live{Name: v.Signal, Value: v.Value})
	}
	say(judge.FieldLive, r.Live != nil)
	return j
}

func learnWord(outcome string) string {
	if outcome == "learned" {
		return judge.LearnDone
	}
	return outcome
}

// readiness joins the monitors of all control units: one that any of them has
// not finished is incomplete.
func readiness(ms []tool.Monitor) []judge.Readiness {
	var list []judge.Readiness
	for _, m := range ms {
		state := "incomplete"
		if m.Ready {
			state = "complete"
		}
		i := slices.IndexFunc(list, func(r judge.Readiness) bool { return r.Monitor == m.Name })
		switch {
		case i < 0:
			list = append(list, judge.Readiness{Monitor: m.Name, State: state})
		case !m.Ready:
			list[i].State = state
		}
	}
	return list
}

// statusOf is the judge's word for how a process ended.
func statusOf(o tool.Outcome) string {
	if o == tool.OutcomeOK {
		return judge.StatusOK
	}
	return judge.StatusFailed
}
