package bench

import (
	"time"

	"sawhorse/bench/judge"
	"sawhorse/canbus/clock"
	"sawhorse/scenarios"
)

// Events of one moment come in this order: faults before what the driver and the
// tool do, the judge last.
const (
	priorityFault = clock.PriorityFault
	priorityJudge = clock.PriorityJudge
)

// schedule sets the moments of the driver and of the faults.
func (r *Run) schedule() error {
	for _, step := range r.scenario.Driver {
		r.when(step.Trigger, func() { r.drive(step.Moves) })
	}
	for i := range r.scenario.Faults {
		if err := r.scheduleFault(&r.scenario.Faults[i]); err != nil {
			return err
		}
	}
	return nil
}

// when has fn called at a trigger's moments.
func (r *Run) when(t scenarios.Trigger, fn func()) {
	loop := r.rig.Loop
	if t.When == nil {
		r.pending++
		loop.At(t.At, priorityFault, func() { r.pending--; fn() })
		return
	}
	n := 0
	r.begin.On(t.When, func(now time.Duration) {
		if n++; t.Nth > 0 && n != t.Nth {
			return
		}
		r.pending++
		loop.At(now+t.After, priorityFault, func() { r.pending--; fn() })
	})
}

func (r *Run) drive(moves []scenarios.Move) {
	for _, m := range moves {
		if err := r.rig.Car.Drive(m.Control, m.Value); err != nil {
			r.failIf(err)
			return
		}
		o := r.rig.saw(judge.Driver)
		o.Control, o.Text = m.Control, m.Control+" "+m.Value
		r.observe(&o)
	}
}

func (r *Run) scheduleFault(f *scenarios.Fault) error {
	h, err := r.rig.faults.add(f.Fault, f.Params)
	if err != nil {
		return err
	}
	set := func(on bool) {
		if err := h.set(on); err != nil {
			r.failIf(err)
		}
	}
	if f.Random != nil {
		r.when(f.From, func() { r.comeAndGo(f, set) })
		return nil
	}
	var come func()
	come = func() {
		set(true)
		if f.For > 0 {
			r.later(f.For, func() { set(false) })
		}
		if f.Every > 0 {
			// A fault that comes and goes does so to the end: nobody waits for it.
			r.rig.Loop.At(r.rig.Loop.Now()+f.Every, priorityFault, come)
		}
	}
	r.when(f.From, come)
	if f.Until > 0 {
		r.when(scenarios.Trigger{At: f.Until, Set: true}, func() { set(false) })
	}
	return nil
}

// later is when for a time from now.
func (r *Run) later(d time.Duration, fn func()) {
	r.pending++
	r.rig.Loop.At(r.rig.Loop.Now()+d, priorityFault, func() { r.pending--; fn() })
}
