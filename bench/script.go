package bench

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/monitor"
	"sawhorse/bench/signal"
	"sawhorse/canbus/clock"
	"sawhorse/scenarios"
)

// Script has moves of the driver and faults come at their moments: times, and
// beginnings of conditions on what is seen. All methods belong to the loop.
type Script struct {
	bench *Bench
	watch *monitor.Watch
	// pending counts the moments that are still to come and worth waiting for.
	pending int
	// ends are the moments at which faults go, in no order.
	ends []time.Duration
	// randoms counts faults that come by chance, so that each has a chance of its
	// own.
	randoms int
}

// Script attaches a script. Times count from the loop's start.
func (b *Bench) Script(driver []scenarios.Step, faults []scenarios.Fault) (*Script, error) {
	s := &Script{bench: b, watch: monitor.NewWatch(b.truth())}
	b.watch.asks = append(b.watch.asks, s.watch.Frames())
	b.OnObservation(func(o *judge.Observation) { b.Fail(s.watch.Observe(o)) })
	b.OnSample(func(now time.Duration) { b.Fail(s.watch.Sample(now)) })
	for _, step := range driver {
		if b.Car == nil {
			return nil, errNoCar
		}
		s.When(step.Trigger, func() {
			s.drive(step.Moves)
			for _, leg := range step.Drive {
				s.at(b.Loop.Now()+leg.After, func() { s.drive(leg.Moves) })
			}
		})
	}
	for i := range faults {
		f := &faults[i]
		h, err := b.faults.add(f.Fault, f.Params)
		if err != nil {
			return nil, err
		}
		h.scripted = true
		s.fault(f, h.set)
	}
	return s, nil
}

// truth is what is true of the car; nothing without one.
func (b *Bench) truth() *signal.Table {
	if b.Car == nil {
		return new(signal.Table)
	}
	return b.Car.Truth
}

// endWithin is how long the going of a fault is waited for when nothing else is to
// come: what the car does then may be of interest, but not for ten minutes.
const endWithin = 30 * time.Second

// Pending reports whether something is still to come that is worth waiting for: a
// move, the coming of a fault, or its going within half a minute.
func (s *Script) Pending() bool {
	now := s.bench.Loop.Now()
	s.ends = slices.DeleteFunc(s.ends, func(at time.Duration) bool { return at <= now })
	return s.pending > 0 || slices.ContainsFunc(s.ends, func(at time.Duration) bool { return at-now <= endWithin })
}

func (s *Script) drive(moves []scenarios.Move) {
	for _, m := range moves {
		if err := s.bench.Car.Drive(m.Control, m.Value); err != nil {
			s.bench.Fail(err)
			return
		}
		s.bench.moved(m.Control, m.Value)
	}
}

// When has fn called at a trigger's moments.
func (s *Script) When(at scenarios.Trigger, fn func()) {
	if at.When == nil {
		s.at(at.At, fn)
		return
	}
	n := 0
	s.watch.On(at.When, func(now time.Duration) {
		if n++; at.Nth > 0 && n != at.Nth {
			return
		}
		s.at(now+at.After, fn)
	})
}

// at is a moment that is waited for.
func (s *Script) at(moment time.Duration, fn func()) {
	s.pending++
	s.later(moment, func() { s.pending--; fn() })
}

// end is the moment at which a fault goes.
func (s *Script) end(moment time.Duration, fn func()) {
	s.ends = append(s.ends, moment)
	s.later(moment, fn)
}

// later is a moment that nobody waits for. Faults come before what the driver and the
// tool do at the same moment, the judge last.
func (s *Script) later(moment time.Duration, fn func()) {
	s.bench.Loop.At(moment, clock.PriorityFault, fn)
}

// fault has a fault come and go; set switches it.
func (s *Script) fault(f *scenarios.Fault, set func(on bool) error) {
	flip := func(on bool) { s.bench.Fail(set(on)) }
	if f.While != nil {
		s.watch.While(f.While, func(time.Duration) { flip(true) }, func(time.Duration) { flip(false) })
		return
	}
	if f.Random != nil {
		s.randoms++
		g := &gremlin{
			script: s, fault: f, set: flip,
			rng: s.bench.seed.For(fmt.Sprintf("random fault %d %s", s.randoms, f.Fault)),
		}
		s.When(f.From, g.begin)
		return
	}
	now := s.bench.Loop.Now
	var come func()
	come = func() {
		if f.Until > 0 && now() >= f.Until {
			return
		}
		flip(true)
		if f.For > 0 {
			s.end(now()+f.For, func() { flip(false) })
		}
		if f.Every > 0 {
			// A fault that comes and goes does so to the end: nobody waits for it.
			s.later(now()+f.Every, come)
		}
	}
	s.When(f.From, come)
	if f.Until > 0 {
		s.end(f.Until, func() { flip(false) })
	}
}
