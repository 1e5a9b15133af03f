package run

import (
	"slices"
	"strings"

	"sawhorse/bench/judge"
	"sawhorse/bench/task"
	"sawhorse/bench/tool"
)

// said puts what a tool reported into the judge's words. reads are the fields
// that the tool's profile can read at all; a report says a list even when the
// list is empty.
func said(r *tool.Report, reads task.Fields) *judge.Report {
	j := &judge.Report{Reads: reads}
	say := func(f task.Fields, ok bool) {
		if ok {
			j.Says |= f
		}
	}
	j.VIN = r.VIN
	say(task.VIN, r.HasVIN)
	for _, e := range r.ECUs {
		j.ECUs = append(j.ECUs, e.Name)
		j.Addresses = append(j.Addresses, strings.ToUpper(e.Address))
	}
	say(task.ECUs, r.ECUs != nil)
	for _, l := range []struct {
		field task.Fields
		from  []tool.Code
		to    *[]string
	}{
		{task.Stored, r.Stored, &j.Stored},
		{task.Pending, r.Pending, &j.Pending},
		{task.Permanent, r.Permanent, &j.Permanent},
	} {
		say(l.field, l.from != nil)
		for _, c := range l.from {
			*l.to = append(*l.to, c.Code)
		}
	}
	if say(task.Lamp, r.MIL != nil); r.MIL != nil {
		j.Lamp = *r.MIL
	}
	if say(task.Learn, r.Learn != nil); r.Learn != nil {
		j.Learn = learnWord(r.Learn.Outcome)
	}
	if say(task.Count, r.Count != nil); r.Count != nil {
		j.Count = *r.Count
	}
	for _, c := range r.Calibrations {
		j.Calibrations = append(j.Calibrations, c.ID)
	}
	say(task.Calibrations, r.Calibrations != nil)
	j.Readiness = readiness(r.Readiness)
	say(task.Readiness, r.Readiness != nil)
	j.Live = values(r.Live)
	say(task.Live, r.Live != nil)
	j.Units = units(r)
	for _, f := range r.FreezeFrames {
		j.Freeze = append(j.Freeze, judge.Freeze{Code: f.Code, Values: values(f.Values)})
	}
	say(task.Freeze, r.FreezeFrames != nil)
	if say(task.Output, r.Output != nil); r.Output != nil {
		j.Output = r.Output.Outcome
	}
	return j
}

// units are what was said of each control unit.
func units(r *tool.Report) []judge.Unit {
	var list []judge.Unit
	for _, t := range r.Told {
		u := judge.Unit{Name: t.ECU, States: t.States}
		for _, e := range r.ECUs {
			if e.Name == t.ECU {
				u.Address, u.VIN = strings.ToUpper(e.Address), e.VIN
			}
		}
		for _, l := range []struct {
			from []tool.Code
			to   *[]string
		}{{r.Stored, &u.Stored}, {r.Pending, &u.Pending}, {r.Permanent, &u.Permanent}} {
			for _, c := range l.from {
				if c.ECU == t.ECU {
					*l.to = append(*l.to, c.Code)
				}
			}
		}
		for _, c := range r.Calibrations {
			if c.ECU == t.ECU {
				u.Calibrations = append(u.Calibrations, c.ID)
			}
		}
		for _, f := range r.FreezeFrames {
			if f.ECU == t.ECU {
				u.Freeze = append(u.Freeze, judge.Freeze{Code: f.Code, Values: values(f.Values)})
			}
		}
		list = append(list, u)
	}
	return list
}

func values(vs []tool.Value) []judge.Live {
	var list []judge.Live
	for _, v := range vs {
		list = append(list, judge.Live{Name: v.Signal, Value: v.Value})
	}
	return list
}

func learnWord(outcome string) string {
	if outcome == "learned" {
		return task.LearnDone
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
