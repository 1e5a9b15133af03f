package bench

import (
	"slices"
	"time"

	"sawhorse/bench/fault"
	"sawhorse/bench/judge"
	"sawhorse/bench/judge/monitor"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/judge/rules"
	"sawhorse/bench/trace"
	"sawhorse/canbus/clock"
)

// Judging says what a bench is judged by. The zero value is the rules of conduct for
// every tool.
type Judging struct {
	Expect []monitor.Expectation
	// Fresh says that every task is a new process, which knows nothing of the one
	// before. Lag is the time that frames may take between tool and bus.
	Fresh bool
	Lag   time.Duration
	// Exceptions are rules that are not held against the tool, by id with the
	// reason. Strict has rules that should be kept fail, too.
	Exceptions map[string]string
	Strict     bool
}

// Judge watches a bench and gives verdicts: of expectations, of the rules for every
// tool, and of what the tool says against what was answered. All methods belong to
// the loop.
type Judge struct {
	bench *Bench
	judge *monitor.Judge
	rules *rules.Set
	said  *report.Set
	ended bool
	// first is when a task began or something was asked, if begun.
	begun bool
	first time.Duration
}

// Judge attaches a judge.
func (b *Bench) Judge(j Judging) *Judge {
	opt := monitor.Options{Truth: b.truth(), ECUs: b.unitNames()}
	if b.Car != nil {
		opt.VIN = b.Car.Spec().Identity.VIN
	}
	g := &Judge{bench: b, judge: monitor.New(j.Expect, opt), rules: rules.New(b.conduct(j)), said: report.New(b.told(j))}
	b.watch.rules = g.rules
	b.watch.asks = append(b.watch.asks, g.judge.Frames())
	b.OnObservation(g.observe)
	b.OnSample(g.judge.Sample)
	return g
}

// conduct is what the rules for every tool need to know.
func (b *Bench) conduct(j Judging) rules.Options {
	t := b.truth()
	opt := rules.Options{
		Truth: func(name string) (float64, bool) {
			ref, ok := t.Lookup(name)
			if !ok {
				return 0, false
			}
			return t.Get(ref), true
		},
		Disturbs: b.faults.is(func(f *fault.Fault) bool { return f.Misleads(b.asking()) }),
		Running:  RoutineRuns,
		Fresh:    j.Fresh, Lag: j.Lag, Strict: j.Strict, Exceptions: j.Exceptions,
	}
	opt.Pairs = pairsOf(b.addresses)
	return opt
}

// told is what is needed to compare what the tool says with what was answered.
func (b *Bench) told(j Judging) report.Options {
	opt := report.Options{Exceptions: j.Exceptions, Requests: map[int]string{}}
	opt.Alters = b.faults.is(func(f *fault.Fault) bool { return !f.SparesAnswers() })
	opt.Falsifies = b.faults.is(func(f *fault.Fault) bool { return !f.KeepsContents() })
	for _, a := range b.addresses {
		opt.Requests[int(a.response.ID())] = a.request.String()
	}
	return opt
}

func (g *Judge) observe(o *judge.Observation) {
	if g.ended {
		return
	}
	if !g.begun && (o.Kind == judge.TaskStart || o.Kind == judge.Request) {
		g.begun, g.first = true, o.Time
	}
	g.rules.Observe(o)
	g.said.Observe(o)
	g.judge.Observe(o)
}

// Waiting reports whether an expectation waits for something to happen.
func (g *Judge) Waiting() bool { return g.judge.Waiting() }

// Decided reports whether nothing more can change a verdict of the expectations.
func (g *Judge) Decided() bool { return g.judge.Decided() }

// Blame has what is not decided be the bench's own fault.
func (g *Judge) Blame(reason string) { g.judge.Blame(reason) }

// Finish ends the judging and gives all verdicts; complete says that the run came to
// its end. Metrics count what the tool said.
func (g *Judge) Finish(complete bool) []judge.Verdict {
	g.ended = true
	now := g.bench.Loop.Now()
	said, counts := g.said.Finish(now)
	for _, c := range counts {
		g.bench.Metrics.Said(c.Task, c.True, c.FalsePositives, c.FalseNegatives)
	}
	list := slices.Concat(g.judge.Finish(now, complete), g.rules.Finish(now, complete), said)
	late := slices.DeleteFunc(slices.Clone(g.bench.Loop.Late()), func(l clock.Late) bool { return !g.begun || l.To < g.first })
	excuse(list, late, g.bench.unread) // before a tool did anything it cannot have waited
	for _, v := range list {
		g.bench.Metrics.Verdict(v.Outcome.String())
	}
	return list
}

// Trace attaches what tells of a run afterwards: all that was seen, and the car's
// signals.
func (b *Bench) Trace() *trace.Trace {
	t := trace.New(b.truth())
	t.Groups = b.groups()
	b.watch.trace = t
	b.OnObservation(t.Observe)
	b.OnSample(t.Sample)
	return t
}
