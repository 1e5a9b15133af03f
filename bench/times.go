package bench

import (
	"fmt"
	"time"

	"sawhorse/bench/chance"
	"sawhorse/bench/judge/cel"
	"sawhorse/canbus/clock"
	"sawhorse/scenarios"
)

// times has faults come and go at their moments.
type times struct {
	loop *clock.Loop
	seed chance.Seed
	// start calls back at the moments of a condition's beginning, nil where there
	// are no conditions.
	start func(*cel.Condition, func(now time.Duration))
	// while calls back when a state begins and when it ends, nil likewise.
	while func(c *cel.Condition, begins, ends func(now time.Duration))
	// rate is what an expression over signals is now.
	rate func(*cel.Number) (float64, error)
	// fail takes what went wrong; nil is nothing.
	fail func(error)
	// pending counts the moments that are still to come and worth waiting for.
	pending int
	// randoms counts faults that come by chance, so that each has a chance of its
	// own.
	randoms int
}

// when has fn called at a trigger's moments.
func (t *times) when(at scenarios.Trigger, fn func()) {
	if at.When == nil {
		t.at(at.At, fn)
		return
	}
	n := 0
	t.start(at.When, func(now time.Duration) {
		if n++; at.Nth > 0 && n != at.Nth {
			return
		}
		t.at(now+at.After, fn)
	})
}

// at is a moment that is waited for.
func (t *times) at(moment time.Duration, fn func()) {
	t.pending++
	t.loop.At(moment, priorityFault, func() { t.pending--; fn() })
}

// add has a fault come and go; set switches it.
func (t *times) add(f *scenarios.Fault, set func(on bool) error) {
	flip := func(on bool) { t.fail(set(on)) }
	if f.While != nil {
		t.while(f.While, func(time.Duration) { flip(true) }, func(time.Duration) { flip(false) })
		return
	}
	if f.Random != nil {
		t.randoms++
		g := &gremlin{
			times: t, fault: f, set: flip,
			rng: t.seed.For(fmt.Sprintf("random fault %d %s", t.randoms, f.Fault)),
		}
		t.when(f.From, g.begin)
		return
	}
	var come func()
	come = func() {
		if f.Until > 0 && t.loop.Now() >= f.Until {
			return
		}
		flip(true)
		if f.For > 0 {
			t.at(t.loop.Now()+f.For, func() { flip(false) })
		}
		if f.Every > 0 {
			// A fault that comes and goes does so to the end: nobody waits for it.
			t.loop.At(t.loop.Now()+f.Every, priorityFault, come)
		}
	}
	t.when(f.From, come)
	if f.Until > 0 {
		t.at(f.Until, func() { flip(false) })
	}
}
