package bench

import (
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
		r.times.when(step.Trigger, func() {
			r.drive(step.Moves)
			for _, leg := range step.Drive {
				r.times.at(r.rig.Loop.Now()+leg.After, func() { r.drive(leg.Moves) })
			}
		})
	}
	for i := range r.scenario.Faults {
		f := &r.scenario.Faults[i]
		h, err := r.rig.faults.add(f.Fault, f.Params)
		if err != nil {
			return err
		}
		r.times.add(f, h.set)
	}
	return nil
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
