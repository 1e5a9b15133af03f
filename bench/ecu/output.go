package ecu

import (
	"fmt"
	"slices"
	"time"
)

// output is one bound actuator of service 2F.
type output struct {
	spec     *outputSpec
	in       uint32
	security byte
	needs    []rule
	hold     []rule
	number   piece
	// shown reads back the command in effect; nil where nothing does.
	shown layout

	active bool
	until  time.Duration
}

// Parameters of service 2F (ISO 14229-1 table for inputOutputControlParameter).
const (
	returnControl  = 0
	resetToDefault = 1
	freezeCurrent  = 2
	adjust         = 3
)

func (s *Server) bindOutputs(b *binder) {
	for i := range s.spec.Outputs {
		o := &s.spec.Outputs[i]
		p := fmt.Sprintf("$.outputs[%d]", i)
		x := &output{spec: o, in: s.spec.mask(o.In), security: o.Security, needs: b.rules(p+".needs", o.Needs),
			hold: b.rules(p+".hold", o.Hold), number: piece{bytes: o.Bytes, scale: float64(o.PerBit)}}
		if o.Signal != "" {
			shown := x.number
			shown.ref = b.ref(p+".signal", o.Signal)
			x.shown = layout{shown}
			if s.dids[o.DID] == nil {
				s.dids[o.DID] = &did{layout: x.shown, size: o.Bytes, in: anySession}
			}
		}
		s.outputs = append(s.outputs, x)
	}
}

// controlOutput is service 2F. A commanded output returns to the unit when the
// tool gives it back, the session ends, its conditions fall away, its longest time
// is over, or power goes.
func (s *Server) controlOutput(req []byte) byte {
	if len(req) < 4 {
		return wrongLength
	}
	id := uint16(req[1])<<8 | uint16(req[2])
	i := slices.IndexFunc(s.outputs, func(o *output) bool { return o.spec.DID == id && o.in&s.session.mask != 0 })
	if i < 0 {
		return requestOutOfRange
	}
	o, state := s.outputs[i], req[4:]
	param := req[3]
	switch {
	case param > adjust || param == freezeCurrent && o.shown == nil:
		return requestOutOfRange
	case param == adjust && len(state) != o.number.bytes, param != adjust && len(state) != 0:
		return wrongLength
	case !s.access.allows(o.security):
		return securityAccessDenied
	}
	value := o.spec.Default
	switch param {
	case adjust:
		if value = o.number.value(state); value < o.spec.AtLeast || value > o.spec.AtMost {
			return requestOutOfRange
		}
	case freezeCurrent:
		value = s.readings.Get(o.shown[0].ref)
	}
	if param != returnControl {
		if nrc := s.needs(o.needs); nrc != 0 {
			return nrc
		}
		if r := broken(o.hold, s.readings); r != nil {
			return or(r.nrc, conditionsNotCorrect)
		}
	}
	s.out = append(append16(s.out, id), param)
	switch {
	case param != returnControl:
		s.out = o.number.number(s.out, value)
	case o.shown != nil:
		s.out = o.shown.append(s.out, s)
	}
	if s.dry {
		return 0
	}
	if param == returnControl {
		s.release(o)
		return 0
	}
	o.active, o.until = true, s.now+o.spec.Longest.d()
	s.plant.Control(o.spec.Output, value, true)
	return 0
}

// release gives an output back to the unit's program.
func (s *Server) release(o *output) {
	if o.active {
		o.active = false
		s.plant.Control(o.spec.Output, 0, false)
	}
}

// releaseOutputs gives back what the new session does not have, the default
// session everything.
func (s *Server) releaseOutputs(to *session) {
	for _, o := range s.outputs {
		if to == &s.sessions[0] || o.in&to.mask == 0 {
			s.release(o)
		}
	}
}

// stepOutputs gives back what may not be held any longer.
func (s *Server) stepOutputs() {
	for _, o := range s.outputs {
		if o.active && (broken(o.hold, s.readings) != nil || o.spec.Longest > 0 && s.now >= o.until) {
			s.release(o)
		}
	}
}

// test is one bound test of service 08.
type test struct {
	spec  *testSpec
	needs []rule
	hold  []rule

	state  routineState
	reason byte
	until  time.Duration
}

func (s *Server) bindTests(b *binder) {
	if s.spec.OBD == nil {
		return
	}
	for i := range s.spec.OBD.Tests {
		x := &s.spec.OBD.Tests[i]
		p := fmt.Sprintf("$.obd.tests[%d]", i)
		s.tests = append(s.tests, &test{spec: x, needs: b.rules(p+".needs", x.Needs), hold: b.rules(p+".hold", x.Hold), state: routineNever})
	}
}

func (s *Server) test(tid byte) *test {
	for _, t := range s.tests {
		if t.spec.TID == tid {
			return t
		}
	}
	return nil
}

// controlTest is service 08: a test identifier and five bytes. What is refused by
// its conditions is refused with 22, the only negative response it has.
func (s *Server) controlTest(req []byte) byte {
	if len(req) == 0 {
		return silence
	}
	tid := req[0]
	if tid&0x1F == 0 {
		mask := supported(tid, func(id byte) bool { return s.test(id) != nil })
		if len(req) != 1 || mask == 0 && tid != 0 {
			return silence
		}
		s.out = append(s.out, tid, byte(mask>>24), byte(mask>>16), byte(mask>>8), byte(mask))
		return 0
	}
	t := s.test(tid)
	if t == nil || len(req) != 6 {
		return silence
	}
	if broken(t.needs, s.readings) != nil || broken(t.hold, s.readings) != nil {
		return conditionsNotCorrect
	}
	s.startTest(t)
	s.out = append(s.out, tid, 0, 0, 0, 0, 0)
	return 0
}

func (s *Server) startTest(t *test) {
	if s.dry {
		return
	}
	t.state, t.reason, t.until = routineRunning, reasonNone, s.now+t.spec.Lasts.d()
	s.sets(t.spec.Sets, true)
}

func (s *Server) endTest(t *test, state routineState, reason byte) {
	if t.state == routineRunning {
		t.state, t.reason = state, reason
		s.sets(t.spec.Sets, false)
	}
}

// sets commands outputs, or gives them back.
func (s *Server) sets(list []setSpec, on bool) {
	for _, x := range list {
		if on {
			s.plant.Control(x.Output, x.Value, true)
		} else {
			s.plant.Control(x.Output, 0, false)
		}
	}
}

func (s *Server) stepTests() {
	for _, t := range s.tests {
		if t.state != routineRunning {
			continue
		}
		if r := broken(t.hold, s.readings); r != nil {
			s.endTest(t, routineAborted, r.reason)
		} else if s.now >= t.until {
			s.endTest(t, routineDone, reasonNone)
		}
	}
}

// testRoutine is a test of service 08 as routine E0xx of service 31 (SAE J1979-2).
func (s *Server) testRoutine(t *test, req []byte) byte {
	if len(req) != 4 {
		return wrongLength
	}
	if s.sub == 2 && t.state != routineRunning {
		return requestSequenceError
	}
	s.out = append(s.out, s.sub, req[2], req[3])
	switch s.sub {
	case 1:
		if nrc := s.needs(t.needs); nrc != 0 {
			return nrc
		}
		if broken(t.hold, s.readings) != nil {
			return conditionsNotCorrect
		}
		s.startTest(t)
		s.out = append(s.out, byte(routineRunning))
	case 2:
		if !s.dry {
			s.endTest(t, routineAborted, reasonStopped)
		}
		s.out = append(s.out, byte(routineAborted))
	case 3:
		s.out = append(s.out, byte(t.state), t.reason)
	}
	return 0
}
