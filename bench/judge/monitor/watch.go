package monitor

import (
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
	"sawhorse/bench/signal"
)

// Watch calls back at the beginnings of conditions: for faults that come on and
// drivers that act when something happens. It sees the same as a Judge.
type Watch struct {
	scope  *cel.Scope
	frames cel.Frames
	at     step // reused
	list   []watched
}

type watched struct {
	edge edge
	fire func(at time.Duration)
	ends func(at time.Duration) // nil where nobody asks
}

// NewWatch looks at a table of true signals.
func NewWatch(truth *signal.Table) *Watch { return &Watch{scope: cel.NewScope(truth)} }

// On calls fire whenever the condition begins: at every event of one on events,
// and when a state becomes true.
func (w *Watch) On(c *cel.Condition, fire func(at time.Duration)) {
	w.frames.Add(c)
	w.list = append(w.list, watched{edge: edge{cond: c}, fire: fire})
}

// While calls begins whenever a state becomes true, and ends when it no longer is.
func (w *Watch) While(c *cel.Condition, begins, ends func(at time.Duration)) {
	w.frames.Add(c)
	w.list = append(w.list, watched{edge{cond: c}, begins, ends})
}

// Frames are those that a condition asks for, also of conditions still to come. Others
// need not be observed.
func (w *Watch) Frames() *cel.Frames { return &w.frames }

// Observe takes in one observation. The error is of the first condition that
// cannot be evaluated; the others are still looked at. fire must not call back
// into the Watch.
func (w *Watch) Observe(o *judge.Observation) error {
	w.scope.Enter(o)
	w.at = step{now: o.Time, o: o, scope: w.scope, state: o.Kind.ChangesState()}
	err := w.look()
	w.scope.Leave(o)
	if o.Kind == judge.TaskEnd || o.Kind == judge.FaultOff {
		if e := w.Sample(o.Time); err == nil {
			err = e
		}
	}
	return err
}

// Sample looks at the signals.
func (w *Watch) Sample(now time.Duration) error {
	w.scope.Pass(now)
	w.at = step{now: now, scope: w.scope, state: true}
	return w.look()
}

func (w *Watch) look() error {
	s := &w.at
	var first error
	var b base
	for i := range w.list {
		x := &w.list[i]
		was := x.edge.was
		if begins, _ := x.edge.begins(&b, s); begins {
			x.fire(s.now)
		} else if x.ends != nil && was && !x.edge.was {
			x.ends(s.now)
		}
		if b.done && first == nil {
			first = watchError(b.v.Reason)
		}
	}
	return first
}

// Value evaluates an expression in what the watch sees now.
func (w *Watch) Value(n *cel.Number) (float64, error) { return n.Value(w.scope) }

type watchError string

func (e watchError) Error() string { return string(e) }
