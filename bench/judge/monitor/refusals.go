package monitor

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/canbus/uds"
)

// refusals keeps what control units have refused to do, for whoever reads a failure: it
// decides nothing. What they would not tell is left out.
type refusals struct{ list []refusal }

type refusal struct {
	at       time.Duration
	ecu, why string
	shown    judge.Evidence
}

// maxRefusals bounds what is kept: the last ones.
const maxRefusals = 64

var acting = []uds.Service{
	uds.ClearCodes, uds.ControlOfSystem, uds.DiagnosticSessionControl, uds.ECUReset, uds.ClearDiagnosticInformation,
	uds.WriteDataByIdentifier, uds.InputOutputControlByIdentifier, uds.RoutineControl, uds.RequestDownload,
}

func (r *refusals) take(o *judge.Observation) {
	if o.Kind != judge.Response || o.NRC < 0 || o.NRC == int(uds.ResponsePending) || !slices.Contains(acting, uds.Service(max(0, o.Service))) {
		return
	}
	if len(r.list) == maxRefusals {
		r.list = append(r.list[:0], r.list[1:]...)
	}
	r.list = append(r.list, refusal{o.Time, o.ECU, o.Why, judge.EvidenceOf(o)})
}

// explain shows the last refusal before a failure that rests on no message of its own,
// as what did not come has none.
func (r *refusals) explain(v *judge.Verdict) {
	if slices.ContainsFunc(v.Evidence, func(e judge.Evidence) bool { return e.First > 0 }) {
		return
	}
	for _, x := range slices.Backward(r.list) {
		if x.at > v.Decided {
			continue
		}
		v.Evidence = append([]judge.Evidence{x.shown}, v.Evidence[:min(len(v.Evidence), maxEvidence-1)]...)
		if x.why != "" {
			v.Reason += fmt.Sprintf("; at %s %s had refused, because %s", judge.Seconds(x.at), x.ecu, x.why)
		}
		return
	}
}
