// Package bridge sits between two buses: what comes on one leaves on the other,
// both ways, so that faults (canbus/alter) can be put between a real control unit
// and a real tool.
package bridge

import (
	"errors"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/internal/spread"
)

// Names under which a bridge attaches: on each bus it stands for the nodes of the
// other.
const (
	Near = "near"
	Far  = "far"
)

// maxWaiting bounds the frames that wait for room on one side.
const maxWaiting = 65_536

// Options of a bridge.
type Options struct {
	// Retry is how long a frame waits that a full queue refused; 0 means 1 ms.
	Retry time.Duration
}

// Stats says what went one way.
type Stats struct {
	Passed  uint64 // handed to the other bus and confirmed there
	Waiting int    // for room there
	Full    uint64 // times that the other bus had no room
	Lost    uint64 // refused for good: bus-off, interface gone, no such frame there
	Why     error  // the first of these was lost; nil if none was
	// Added is the time from a frame's end on the one bus to its end on the
	// other: it holds the frame's own length there.
	P50, P99, Max time.Duration
}

// Bridge joins two buses.
type Bridge struct{ there, back *way }

// way is one direction.
type way struct {
	loop    *clock.Loop
	out     canbus.Port
	retry   time.Duration
	timer   *clock.Timer
	waiting []held
	flying  []held
	stats   Stats
	added   spread.Histogram
}

// held is a frame and when it came.
type held struct {
	f    canbus.Frame
	came time.Duration
}

// node is the bridge's place on one bus: it feeds one way and is told of the other.
type node struct{ in, out *way }

// Receive implements canbus.Node.
func (n *node) Receive(f *canbus.Frame) { n.in.take(f) }

// Sent implements canbus.Node.
func (n *node) Sent(f *canbus.Frame) { n.out.sent(f) }

// Join attaches to both buses and begins.
func Join(loop *clock.Loop, near, far canbus.Bus, opt Options) (*Bridge, error) {
	if opt.Retry == 0 {
		opt.Retry = time.Millisecond
	}
	b := &Bridge{there: newWay(loop, opt.Retry), back: newWay(loop, opt.Retry)}
	nearPort, err := near.Attach(Far, &node{in: b.there, out: b.back})
	if err != nil {
		return nil, err
	}
	farPort, err := far.Attach(Near, &node{in: b.back, out: b.there})
	if err != nil {
		_ = nearPort.Close()
		return nil, err
	}
	b.there.out, b.back.out = farPort, nearPort
	return b, nil
}

func newWay(loop *clock.Loop, retry time.Duration) *way {
	w := &way{loop: loop, retry: retry}
	w.timer = loop.NewTimer(clock.PriorityBus, w.flush)
	return w
}

// Stats are those from the near bus to the far one, and back.
func (b *Bridge) Stats() (there, back Stats) { return b.there.report(), b.back.report() }

// Close takes the bridge off both buses.
func (b *Bridge) Close() error {
	b.there.timer.Stop()
	b.back.timer.Stop()
	err := b.there.out.Close()
	if e := b.back.out.Close(); err == nil {
		err = e
	}
	return err
}

func (w *way) report() Stats {
	s := w.stats
	s.Waiting = len(w.waiting)
	s.P50, s.P99, s.Max = w.added.Quantile(0.5), w.added.Quantile(0.99), w.added.Max()
	return s
}

// take passes a frame on, or keeps it until there is room: order is kept.
func (w *way) take(f *canbus.Frame) {
	if w.out == nil {
		return // the other side is not there yet
	}
	if len(w.waiting) >= maxWaiting {
		w.lose(errTooMany)
		return
	}
	w.waiting = append(w.waiting, held{*f, w.loop.Elapsed()})
	w.flush()
}

func (w *way) flush() {
	n := 0
	for n < len(w.waiting) {
		err := w.out.Send(&w.waiting[n].f)
		if err == canbus.ErrQueueFull {
			w.stats.Full++
			w.timer.Set(w.loop.Now() + w.retry)
			break
		}
		if err != nil {
			w.lose(err)
		} else {
			w.flying = append(w.flying, w.waiting[n])
		}
		n++
	}
	w.waiting = append(w.waiting[:0], w.waiting[n:]...)
}

var errTooMany = errors.New("too many frames waited for room on the other bus")

func (w *way) lose(why error) {
	w.stats.Lost++
	if w.stats.Why == nil {
		w.stats.Why = why
	}
}

// sent takes the confirmation of a frame of ours on the other bus.
func (w *way) sent(f *canbus.Frame) {
	for i := range w.flying {
		h := &w.flying[i]
		if h.f.ID == f.ID && h.f.Len == f.Len && h.f.Data == f.Data {
			w.stats.Passed++
			// The clock's own time: in wall time an event's moment stands still while it is
			// worked off, and a socket takes a frame within one.
			w.added.Add(w.loop.Elapsed() - h.came)
			w.flying = append(w.flying[:i], w.flying[i+1:]...)
			break
		}
	}
	if len(w.waiting) > 0 {
		w.flush()
	}
}
