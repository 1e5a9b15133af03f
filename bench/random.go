package bench

import (
	"fmt"
	"math/rand/v2"
	"time"

	"sawhorse/scenarios"
)

// gremlin is a fault that comes and goes by chance from its beginning until its end.
// Nobody waits for it: the run may end in between.
type gremlin struct {
	script *Script
	fault  *scenarios.Fault
	set    func(on bool)
	rng    *rand.Rand
}

func (g *gremlin) now() time.Duration { return g.script.bench.Loop.Now() }

func (g *gremlin) begin() {
	if g.fault.Random.Rate != nil {
		g.watch()
		return
	}
	g.rest()
}

// over reports whether the fault's time is over.
func (g *gremlin) over() bool {
	return g.fault.Until > 0 && g.now() >= g.fault.Until
}

func (g *gremlin) at(d time.Duration, fn func()) {
	g.script.later(g.now()+d, fn)
}

// rest waits for the next coming.
func (g *gremlin) rest() {
	g.at(g.time(g.fault.Random.Between), func() { g.come(g.rest) })
}

// come has the fault stay for a time, and then goes on with next.
func (g *gremlin) come(next func()) {
	if g.over() {
		return
	}
	g.set(true)
	g.at(g.time(g.fault.Random.Lasting), func() {
		g.set(false)
		if !g.over() {
			next()
		}
	})
}

// watch looks at the rate at every sampling step: in so short a time the fault
// comes with the probability rate times time.
func (g *gremlin) watch() {
	if g.over() {
		return
	}
	rate, err := g.script.watch.Value(g.fault.Random.Rate)
	if err != nil {
		g.script.bench.Fail(fmt.Errorf("fault %s: rate %w", g.fault.Fault, err))
		return
	}
	if g.rng.Float64() < rate*sampleStep.Seconds() {
		g.come(g.watch)
		return
	}
	g.at(sampleStep, g.watch)
}

// time is a random time with the mean, at least a microsecond.
func (g *gremlin) time(mean time.Duration) time.Duration {
	m := float64(mean)
	switch g.fault.Random.Spread {
	case "uniform":
		m *= 2 * float64(g.rng.Float64())
	case "normal":
		m += g.rng.NormFloat64() * m / 3
	case "exponential":
		m *= g.rng.ExpFloat64()
	}
	return max(time.Microsecond, time.Duration(m))
}
