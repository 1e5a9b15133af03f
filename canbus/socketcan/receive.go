package socketcan

import (
	"context"
	"errors"
	"slices"
	"time"

	"sawhorse/canbus"
)

// Error classes that say how the controller stands (can/error.h).
const (
	classBusOff    = 0x40
	classRestarted = 0x100
)

// batchIn carries what one system call brought into the loop. Two go round:
// one is filled while the other is worked on.
type batchIn struct {
	in  []arrival
	n   int
	err error
	run func()
}

// receive is the bus's goroutine: it ends when the link is closed or gone.
func (b *Bus) receive(ctx context.Context) {
	defer b.wg.Done()
	free := make(chan *batchIn, 2)
	for range cap(free) {
		d := &batchIn{in: make([]arrival, perCall)}
		d.run = func() { b.take(d); free <- d }
		free <- d
	}
	for {
		var d *batchIn
		select {
		case d = <-free:
		case <-ctx.Done():
			return
		}
		d.n, d.err = b.link.receive(d.in)
		b.toRunTime(d.in[:d.n])
		fatal := d.err != nil && !errors.Is(d.err, ErrDown)
		if b.loop.PostWait(ctx, d.run) != nil || fatal {
			return
		}
	}
}

// toRunTime turns the kernel's stamps into time since the run began: by how old
// they are, so that a clock that is set during the run does no harm.
func (b *Bus) toRunTime(in []arrival) {
	start := b.loop.Start()
	now := time.Now()
	for i := range in {
		f := &in[i].frame
		if start.IsZero() {
			f.Time = 0
			continue
		}
		age := max(0, time.Duration(now.UnixNano())-f.Time)
		f.Time = max(0, now.Sub(start)-age)
	}
}

// take works a batch off, in the loop.
func (b *Bus) take(d *batchIn) {
	for i := range d.n {
		b.arrive(&d.in[i])
	}
	switch {
	case d.err == nil:
	case errors.Is(d.err, ErrDown), errors.Is(d.err, ErrGone):
		b.setDown(d.err)
	case !errors.Is(d.err, canbus.ErrClosed):
		b.setDown(&Error{Op: "read", Iface: b.iface, Err: d.err})
	}
}

func (b *Bus) arrive(a *arrival) {
	b.checkLost(a.lost)
	f := &a.frame
	if b.loop.Virtual() {
		f.Time = b.loop.Now()
	}
	// The moments of frames never go back, nor beyond the moment of the loop.
	f.Time = max(b.last, min(f.Time, b.loop.Now()))
	b.last = f.Time
	if b.down && !b.gone && b.link.up() { // else it came before the interface went down
		b.setUp()
	}
	switch {
	case f.Has(canbus.Error):
		b.counts.errors.Add(1)
		b.tell(canbus.Sighting{Frame: f})
		b.controller(f)
	case a.own:
		b.confirm(f)
	case len(b.opt.Filters) == 0 || slices.ContainsFunc(b.opt.Filters, func(t Filter) bool { return t.Match(f) }):
		b.backOn()
		b.counts.in.Add(1)
		b.tell(canbus.Sighting{Frame: f})
		b.deliver(f, nil)
	}
}

// checkLost notices that the kernel dropped frames, echoes perhaps among them:
// what is in flight can't be matched any more.
func (b *Bus) checkLost(lost uint32) {
	if lost == b.lost {
		return
	}
	b.counts.lost.Add(uint64(lost - b.lost))
	b.lost = lost
	b.counts.unconfirmed.Add(uint64(len(b.flying)))
	b.flying = b.flying[:0]
	b.say("frames lost: the bench did not read them in time")
}

func (b *Bus) tell(s canbus.Sighting) {
	for _, fn := range b.taps {
		fn(s)
	}
}

func (b *Bus) deliver(f *canbus.Frame, but *port) {
	for _, p := range b.ports {
		if p != but && !p.closed {
			p.node.Receive(f)
		}
	}
}

// confirm matches an echo with what is in flight. A controller with several
// send buffers may overtake, so the first equal frame is the one.
func (b *Bus) confirm(f *canbus.Frame) {
	b.backOn()
	i := slices.IndexFunc(b.flying, func(o flight) bool { return same(&o.frame, f) })
	if i < 0 { // given up before: still a frame of ours that has left
		b.counts.out.Add(1)
		b.tell(canbus.Sighting{Frame: f})
		b.deliver(f, nil)
		return
	}
	p := b.flying[i].port
	sentAt := b.flying[i].at
	b.flying = slices.Delete(b.flying, i, i+1)
	b.giveUp(i, sentAt)
	b.counts.out.Add(1)
	b.tell(canbus.Sighting{Frame: f, Sender: p.name})
	b.deliver(f, p)
	if !p.closed {
		p.node.Sent(f)
	}
	if len(b.queue) > 0 && b.flush.When() > b.loop.Now() {
		b.flush.Set(b.loop.Now()) // room has come before the pause was over
	}
}

// giveUp forgets those of the first n in flight that were sent long before
// one that had its echo.
func (b *Bus) giveUp(n int, sentAt time.Duration) {
	old := 0
	for old < n && b.flying[old].at < sentAt-echoWithin {
		old++
	}
	b.counts.unconfirmed.Add(uint64(old))
	b.flying = slices.Delete(b.flying, 0, old)
}

// controller follows the controller's state by its reports.
func (b *Bus) controller(f *canbus.Frame) {
	if f.ID&classRestarted != 0 {
		b.backOn()
	}
	if f.ID&classBusOff != 0 && !b.busOff {
		b.busOff = true
		b.dropAll()
		b.say("the controller is bus-off; it takes part again when restarted")
	}
}

func (b *Bus) backOn() {
	if b.busOff {
		b.busOff = false
		b.say("the controller is back on the bus")
	}
}
