package ecu

import (
	"fmt"
	"math"
	"time"

	"sawhorse/bench/signal"
)

// routineState is the status byte of a routine's results.
type routineState byte

const (
	routineDone    routineState = 0
	routineRunning routineState = 1
	routineAborted routineState = 2
	routineNever   routineState = 3
)

// Reasons that the server gives itself; lower ones come from the spec.
const (
	reasonNone    = 0x00
	reasonTimeout = 0xF0
	reasonStopped = 0xF1
	reasonSession = 0xF2
	reasonReset   = 0xF3
	reasonPower   = 0xF4
)

// routine is one bound routine and its state.
type routine struct {
	spec     *RoutineSpec
	in       uint32
	security byte
	needs    []rule
	steps    []step
	learns   []learn

	state  routineState
	reason byte
	says   string
	step   int
	since  time.Duration
}

type step struct {
	name        string
	takes       time.Duration
	until       []rule
	within      time.Duration
	hold        []rule
	sessionless bool
	lasting     bool
	sets        []setSpec
}

// learn gathers one reading over the steps of a run.
type learn struct {
	spec  *learnSpec
	ref   signal.Ref
	n     int
	value float64
	// at is the time of the last sample.
	at time.Duration
}

func (b *binder) routine(path string, s *Spec, r *RoutineSpec) *routine {
	x := &routine{spec: r, in: s.mask(r.In), security: r.Security, needs: b.rules(path+".needs", r.Needs), state: routineNever}
	hold := b.rules(path+".hold", r.Hold)
	for i := range r.Steps {
		p := &r.Steps[i]
		at := fmt.Sprintf("%s.steps[%d]", path, i)
		st := step{name: p.Step, takes: p.Takes.d(), until: b.rules(at+".until", p.Until), within: p.Within.d(),
			hold: hold, sessionless: p.Sessionless, lasting: p.Lasting, sets: p.Sets}
		if p.Hold != nil {
			st.hold = b.rules(at+".hold", *p.Hold)
		}
		x.steps = append(x.steps, st)
	}
	for i := range r.Learns {
		l := &r.Learns[i]
		x.learns = append(x.learns, learn{spec: l, ref: b.ref(fmt.Sprintf("%s.learns[%d].from", path, i), l.From)})
	}
	return x
}

// deadline is when the running step ends by itself.
func (r *routine) deadline() (time.Duration, bool) {
	if r.state != routineRunning {
		return 0, false
	}
	st := &r.steps[r.step]
	if st.takes > 0 {
		return r.since + st.takes, true
	}
	return r.since + st.within, st.within > 0
}

// routineControl is service 31: 01 start, 02 stop, 03 results. The result is
// the status (00 done, 01 running, 02 aborted, 03 never run) and a reason.
func (s *Server) routineControl(req []byte) byte {
	if len(req) < 4 {
		return wrongLength
	}
	rid := uint16(req[2])<<8 | uint16(req[3])
	if t := s.test(byte(rid)); rid>>8 == testRID>>8 && t != nil && !s.boot {
		return s.testRoutine(t, req)
	}
	var r *routine
	for _, x := range s.routines {
		if x.spec.RID == rid && x.in&s.session.mask != 0 && (!s.boot || x.spec.Does != "") {
			r = x
		}
	}
	switch {
	case r == nil:
		return requestOutOfRange
	case len(req) != 4 && (r.spec.Does != doesErase || s.sub != 1):
		return wrongLength
	case s.sub != 3 && !s.access.allows(r.security): // results are no secret
		return securityAccessDenied
	case s.sub == 2 && r.state != routineRunning:
		return requestSequenceError
	}
	s.out = append(s.out, s.sub, req[2], req[3])
	switch s.sub {
	case 1:
		return s.startRoutine(r, req[4:])
	case 2:
		if !s.dry {
			s.endRoutine(r, routineAborted, reasonStopped)
		}
		s.out = append(s.out, byte(r.state))
	case 3:
		s.out = append(s.out, byte(r.state), r.reason)
	}
	return 0
}

// startRoutine starts a routine whose conditions are met; one that runs goes
// on from the beginning.
func (s *Server) startRoutine(r *routine, option []byte) byte {
	var target *region
	if r.spec.Does == doesErase {
		var nrc byte
		if target, nrc = s.eraseTarget(option); nrc != 0 {
			return nrc
		}
	}
	if r.spec.Does != "" && s.transfer != nil {
		return requestSequenceError
	}
	if nrc := s.needs(r.needs); nrc != 0 {
		return nrc
	}
	s.out = append(s.out, byte(routineRunning))
	if s.dry {
		return 0
	}
	if r.state == routineRunning {
		s.sets(r.steps[r.step].sets, false)
	}
	r.state, r.reason, r.says = routineRunning, reasonNone, ""
	if target != nil {
		s.beginErase(target)
	}
	r.forgetSamples()
	s.beginStep(r, 0)
	return 0
}

func (s *Server) beginStep(r *routine, i int) {
	r.step, r.since = i, s.now
	s.plant.Routine(r.spec.Name, r.steps[i].name)
	s.sets(r.steps[i].sets, true)
}

func (r *routine) forgetSamples() {
	for i := range r.learns {
		r.learns[i].n = 0
	}
}

func (s *Server) endRoutine(r *routine, state routineState, reason byte) {
	s.sets(r.steps[r.step].sets, false)
	r.state, r.reason = state, reason
	s.plant.Routine(r.spec.Name, "")
}

// stepRoutines takes every running routine on.
func (s *Server) stepRoutines() {
	for _, r := range s.routines {
		if r.state == routineRunning {
			s.stepRoutine(r)
		}
	}
}

func (s *Server) stepRoutine(r *routine) {
	st := &r.steps[r.step]
	if bad := broken(st.hold, s.readings); bad != nil && bad.again {
		r.since = s.now // as if the step had begun now
		r.forgetSamples()
		return
	} else if bad != nil {
		r.says = bad.says
		s.endRoutine(r, routineAborted, bad.reason)
		return
	}
	passed := s.now - r.since
	met := st.takes == 0 && broken(st.until, s.readings) == nil
	// What ends a step, such as the key turned off, may have altered the readings.
	if !met {
		r.sample(st.name, s.now, s.readings)
	}
	switch {
	case st.takes > 0 && passed < st.takes:
		return
	case st.takes == 0 && !met:
		if st.within > 0 && passed >= st.within {
			s.endRoutine(r, routineAborted, reasonTimeout)
		}
		return
	}
	if r.step+1 < len(r.steps) {
		s.sets(st.sets, false)
		s.beginStep(r, r.step+1)
		return
	}
	s.finish(r)
}

// sample takes the readings that are learned in this step.
func (r *routine) sample(step string, now time.Duration, t *signal.Table) {
	for i := range r.learns {
		if l := &r.learns[i]; l.spec.During == "" || l.spec.During == step {
			l.sample(now, t.Get(l.ref))
		}
	}
}

// finish stores what was learned, or says why it cannot be true.
func (s *Server) finish(r *routine) {
	for i := range r.learns {
		if l := &r.learns[i]; !l.sound(s.learned(l)) {
			s.endRoutine(r, routineAborted, l.spec.Reason)
			return
		}
	}
	for i := range r.learns {
		l := &r.learns[i]
		s.nv.Set(l.spec.Value, s.learned(l))
	}
	switch {
	case r.spec.Does == doesErase:
		s.endErase()
	case r.spec.Does == doesVerify && !s.verify():
		s.endRoutine(r, routineAborted, r.spec.Fails)
		return
	}
	s.endRoutine(r, routineDone, reasonNone)
}

// What routines do themselves.
const (
	doesErase  = "erase"
	doesVerify = "verify"
)

// testRID is the range of the tests of service 08 as routines.
const testRID = 0xE000

// learned is what is stored: the value taken, on top of what was learned before
// where the spec says so.
func (s *Server) learned(l *learn) float64 {
	v := l.result()
	if l.spec.Onto {
		was, _ := s.nv.Get(l.spec.Value)
		v = math.Round((v+was)*1e6) / 1e6
	}
	return v
}

// resume begins the steps anew that outlast a loss of power.
func (s *Server) resume() {
	for _, r := range s.routines {
		if r.state == routineRunning {
			r.forgetSamples()
			s.beginStep(r, r.step)
		}
	}
}

func (s *Server) abortRoutines(why byte) {
	for _, r := range s.routines {
		if r.state == routineRunning && !r.steps[r.step].lasting {
			s.endRoutine(r, routineAborted, why)
		}
	}
	s.erasing = nil
}

// overs are the ways to take a reading over the steps of a routine.
var overs = []string{"last", "mean", "highest", "lowest"}

// sampleEvery is the least time between two samples, so that extra calls of
// Tick do not weigh.
const sampleEvery = 5 * time.Millisecond

func (l *learn) sample(now time.Duration, v float64) {
	if l.n > 0 && now-l.at < sampleEvery {
		return
	}
	l.n++
	l.at = now
	switch {
	case l.n == 1, l.spec.Over == "last":
		l.value = v
	case l.spec.Over == "highest":
		l.value = max(l.value, v)
	case l.spec.Over == "lowest":
		l.value = min(l.value, v)
	default: // mean
		l.value += (v - l.value) / float64(l.n)
	}
}

// result is the stored value, to a millionth so that it reads back exactly.
func (l *learn) result() float64 { return math.Round((l.value+l.spec.Plus)*1e6) / 1e6 }

func (l *learn) sound(v float64) bool {
	return l.n > 0 && (l.spec.AtLeast == nil || v >= *l.spec.AtLeast) && (l.spec.AtMost == nil || v <= *l.spec.AtMost)
}
