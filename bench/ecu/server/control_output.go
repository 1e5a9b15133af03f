package server

import (
	"cmp"
	"slices"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// controlOutput is service 2F. A commanded output returns to the unit when the
// tool gives it back, the session ends, its conditions fall away, its longest time
// is over, or power goes.
func controlOutput() Service {
	return Service{ID: uds.InputOutputControlByIdentifier, Name: "control outputs", Session: true, item: itemAt(1), run: func(s *Server, q *request) reply {
		if len(q.data) < 4 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		id, param := q.word(1), q.data[3]
		i := slices.IndexFunc(s.outputs, func(o *output) bool { return o.spec.DID == id && o.in&s.session.mask != 0 })
		if i < 0 {
			return refused(uds.RequestOutOfRange)
		}
		o := s.outputs[i]
		value, nrc := s.commanded(o, param, q.data[4:])
		if nrc != 0 {
			return refused(nrc)
		}
		b := append(append16(q.positive(), id), param)
		if param == uds.InputOutputReturnControl {
			if o.shown != nil {
				b = o.shown.append(b, s)
			}
			return answered(b, func() { s.release(o) })
		}
		if nrc := q.unmet(s.readings, o.needs); nrc != 0 {
			return refused(nrc)
		}
		if c := spec.Unmet(o.hold, s.readings); c != nil {
			q.why = c.Says
			return refused(cmp.Or(uds.NRC(c.NRC), uds.ConditionsNotCorrect))
		}
		return answered(o.number.number(b, value), func() { s.hold(o, value) })
	}}
}

// commanded is the value that a control parameter with its state commands.
func (s *Server) commanded(o *output, param byte, state []byte) (float64, uds.NRC) {
	adjust := param == uds.InputOutputShortTermAdjustment
	switch {
	case param > uds.InputOutputShortTermAdjustment || param == uds.InputOutputFreezeCurrentState && o.shown == nil:
		return 0, uds.RequestOutOfRange
	case adjust && len(state) != o.number.bytes, !adjust && len(state) != 0:
		return 0, uds.IncorrectMessageLengthOrInvalidFormat
	case !s.locks.allow(o.security):
		return 0, uds.SecurityAccessDenied
	case param == uds.InputOutputFreezeCurrentState:
		return s.readings.Get(o.shown[0].ref), 0
	case !adjust:
		return o.spec.Default, 0
	}
	v := o.number.value(state)
	if v < o.spec.AtLeast || v > o.spec.AtMost {
		return 0, uds.RequestOutOfRange
	}
	return v, 0
}
