package server

import (
	"fmt"
	"time"

	"sawhorse/bench/ecu/spec"
)

// routineState is the status byte of a routine's results.
type routineState byte

const (
	routineDone    routineState = 0
	routineRunning routineState = 1
	routineAborted routineState = 2
	routineNever   routineState = 3
)

// Reasons that the server gives itself; lower ones come from the description.
const (
	reasonNone    = 0x00
	reasonTimeout = spec.OwnReasons
	reasonStopped = spec.OwnReasons + 1
	reasonSession = spec.OwnReasons + 2
	reasonReset   = spec.OwnReasons + 3
	reasonPower   = spec.OwnReasons + 4
)

// routine is one bound routine and its state.
type routine struct {
	spec *spec.Routine
	access
	needs  []spec.Bound
	steps  []step
	learns []learn

	state  routineState
	reason byte
	says   string
	step   int
	since  time.Duration
}

type step struct {
	*spec.Step
	until []spec.Bound
	hold  []spec.Bound
}

func bindRoutine(b *spec.Binder, path string, r *spec.Routine, a access) *routine {
	x := &routine{spec: r, access: a, needs: b.Conditions(path+".needs", r.Needs), state: routineNever}
	hold := b.Conditions(path+".hold", r.Hold)
	for i := range r.Steps {
		p := &r.Steps[i]
		at := fmt.Sprintf("%s.steps[%d]", path, i)
		st := step{Step: p, until: b.Conditions(at+".until", p.Until), hold: hold}
		if p.Hold != nil {
			st.hold = b.Conditions(at+".hold", *p.Hold)
		}
		x.steps = append(x.steps, st)
	}
	for i := range r.Learns {
		l := &r.Learns[i]
		x.learns = append(x.learns, learn{spec: l, ref: b.Ref(fmt.Sprintf("%s.learns[%d].from", path, i), l.From)})
	}
	return x
}

// deadline is when the running step ends by itself.
func (r *routine) deadline() (time.Duration, bool) {
	if r.state != routineRunning {
		return 0, false
	}
	st := &r.steps[r.step]
	if st.Takes > 0 {
		return r.since + st.Takes.Duration(), true
	}
	return r.since + st.Within.Duration(), st.Within > 0
}

// startRoutine starts a routine; one that runs goes on from the beginning. target is the
// region that it erases, nil for one that does not.
func (s *Server) startRoutine(r *routine, target *region) {
	if r.state == routineRunning {
		s.sets(r.steps[r.step].Sets, false)
	} else {
		s.running++
	}
	r.state, r.reason, r.says = routineRunning, reasonNone, ""
	if target != nil {
		s.beginErase(target)
	}
	r.forgetSamples()
	s.beginStep(r, 0)
}

func (s *Server) beginStep(r *routine, i int) {
	r.step, r.since = i, s.now
	s.application.Routine(r.spec.Name, r.steps[i].Step.Step)
	s.sets(r.steps[i].Sets, true)
}

func (s *Server) endRoutine(r *routine, state routineState, reason byte) {
	s.sets(r.steps[r.step].Sets, false)
	if r.state == routineRunning {
		s.running--
	}
	r.state, r.reason = state, reason
	s.application.Routine(r.spec.Name, "")
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
	if bad := spec.Unmet(st.hold, s.readings); bad != nil && bad.Again {
		r.since = s.now // as if the step had begun now
		r.forgetSamples()
		return
	} else if bad != nil {
		r.says = bad.Says
		s.endRoutine(r, routineAborted, bad.Reason)
		return
	}
	passed := s.now - r.since
	met := st.Takes == 0 && spec.Unmet(st.until, s.readings) == nil
	// What ends a step, such as the key turned off, may have altered the readings.
	if !met {
		r.sample(st.Step.Step, s.now, s.readings)
	}
	switch {
	case st.Takes > 0 && passed < st.Takes.Duration():
		return
	case st.Takes == 0 && !met:
		if st.Within > 0 && passed >= st.Within.Duration() {
			s.endRoutine(r, routineAborted, reasonTimeout)
		}
		return
	}
	if r.step+1 < len(r.steps) {
		s.sets(st.Sets, false)
		s.beginStep(r, r.step+1)
		return
	}
	s.finish(r)
}

// finish stores what was learned, or says why it cannot be true.
func (s *Server) finish(r *routine) {
	for i := range r.learns {
		if l := &r.learns[i]; !l.sound(l.learned(s.nv)) {
			s.endRoutine(r, routineAborted, l.spec.Reason)
			return
		}
	}
	for i := range r.learns {
		l := &r.learns[i]
		s.nv.Set(l.spec.Value, l.learned(s.nv))
	}
	switch {
	case r.spec.Does == spec.DoesErase:
		s.endErase()
	case r.spec.Does == spec.DoesVerify && !s.verify():
		s.endRoutine(r, routineAborted, r.spec.Fails)
		return
	}
	s.endRoutine(r, routineDone, reasonNone)
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
		if r.state == routineRunning && !r.steps[r.step].Lasting {
			s.endRoutine(r, routineAborted, why)
		}
	}
	s.erasing = nil
}

// leaveRoutines ends those that the new session does not have.
func (s *Server) leaveRoutines(to *session) {
	for _, r := range s.routines {
		if r.state == routineRunning && r.in&to.mask == 0 && !r.steps[r.step].Sessionless && !r.steps[r.step].Lasting {
			s.endRoutine(r, routineAborted, reasonSession)
		}
	}
}
