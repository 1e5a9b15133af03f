package socketcan

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

const (
	// perCall is how many frames one system call moves at most.
	perCall = 32
	// retryAfter is the pause when the socket or the interface takes no more.
	retryAfter = time.Millisecond
	// lookAfter is how often a bus looks whether its interface is up again.
	lookAfter = 100 * time.Millisecond
	// echoWithin is how long a frame may lack its echo once a later one had it.
	echoWithin = time.Second
)

// Bus is an interface with all nodes of the bench behind one socket. All its
// methods but Stats belong to the loop.
type Bus struct {
	iface string
	loop  *clock.Loop
	link  link
	opt   Options
	may   error // why nothing is sent; nil if it may be
	fd    bool  // the interface carries CAN FD

	ports  []*port
	taps   []func(canbus.Sighting)
	queue  []flight // to be sent, in the order of arbitration
	flying []flight // sent and not yet echoed, in the order of sending
	flush  *clock.Timer
	look   *clock.Timer
	down   bool
	gone   bool // down for good
	busOff bool
	last   time.Duration // time of the last frame
	lost   uint32

	cancel context.CancelFunc
	wg     sync.WaitGroup
	counts counts
}

// flight is one frame on its way out.
type flight struct {
	frame canbus.Frame
	port  *port
	at    time.Duration // when it was handed to the kernel
}

type port struct {
	bus    *Bus
	name   string
	node   canbus.Node
	closed bool
}

// Stats of a bus since it was opened.
type Stats struct {
	In          uint64 // frames of others
	Out         uint64 // frames of local nodes that the kernel confirmed
	Errors      uint64 // error reports of the controller
	Full        uint64 // times that the socket or interface took no more for now
	Refused     uint64 // frames dropped because the interface went down or bus-off, or an error of the system
	Unconfirmed uint64 // frames sent whose echo never came
	Lost        uint64 // frames that the kernel dropped because the bench did not read them in time
}

type counts struct {
	in, out, errors, full, refused, unconfirmed, lost atomic.Uint64
}

// Stats may be asked for from any goroutine.
func (b *Bus) Stats() Stats {
	c := &b.counts
	return Stats{
		In: c.in.Load(), Out: c.out.Load(), Errors: c.errors.Load(), Full: c.full.Load(),
		Refused: c.refused.Load(), Unconfirmed: c.unconfirmed.Load(), Lost: c.lost.Load(),
	}
}

// newBus starts the receiving goroutine. may says why nothing must be sent.
func newBus(iface string, loop *clock.Loop, l link, opt Options, may error, fd bool) *Bus {
	if opt.Queue <= 0 {
		opt.Queue = DefaultQueue
	}
	b := &Bus{iface: iface, loop: loop, link: l, opt: opt, may: may, fd: fd}
	// What is due at one moment leaves in one system call: the flush comes last.
	b.flush = loop.NewTimer(clock.PriorityJudge, b.send)
	b.look = loop.NewTimer(clock.PriorityBus, b.lookUp)
	ctx, cancel := context.WithCancel(context.Background())
	b.cancel = cancel
	b.wg.Add(1)
	go b.receive(ctx)
	return b
}

// Silent says why nothing is sent on the interface, an *Error that wraps ErrNotArmed;
// nil if frames may be sent.
func (b *Bus) Silent() error {
	if b.may == nil {
		return nil
	}
	return &Error{Op: "write", Iface: b.iface, Err: b.may}
}

// Close ends the bus and waits for its goroutine. Call it from the loop, or
// when the loop has ended.
func (b *Bus) Close() error {
	b.cancel()
	b.flush.Stop()
	b.look.Stop()
	for _, p := range b.ports {
		p.closed = true
	}
	b.ports, b.queue, b.flying = nil, nil, nil
	err := b.link.close()
	b.wg.Wait()
	if err != nil {
		return &Error{Op: "close", Iface: b.iface, Err: err}
	}
	return nil
}

// Attach puts a node on the bus. A name in use is an error.
func (b *Bus) Attach(name string, n canbus.Node) (canbus.Port, error) {
	for _, p := range b.ports {
		if p.name == name {
			return nil, &Error{Op: "open", Iface: b.iface, Err: fmt.Errorf("there is a node %q already", name)}
		}
	}
	p := &port{bus: b, name: name, node: n}
	// A new slice, as Attach and Close may come from a node that is being called.
	b.ports = append(slices.Clone(b.ports), p)
	return p, nil
}

// Tap adds a listener.
func (b *Bus) Tap(fn func(canbus.Sighting)) { b.taps = append(b.taps, fn) }

// Send queues a copy of the frame. Besides the errors of canbus.Port it gives
// an *Error wrapping ErrNotArmed on an interface that is only listened to, and
// one wrapping both canbus.ErrBusOff and ErrDown while the interface is down,
// or ErrGone when it has been removed.
func (p *port) Send(f *canbus.Frame) error {
	b := p.bus
	if p.closed {
		return canbus.ErrClosed
	}
	if err := b.sendable(f); err != nil {
		return err
	}
	if len(b.queue)+len(b.flying) >= b.opt.Queue {
		return canbus.ErrQueueFull
	}
	key := arbitration(f)
	at := len(b.queue)
	for at > 0 && arbitration(&b.queue[at-1].frame) > key {
		at--
	}
	b.queue = slices.Insert(b.queue, at, flight{frame: *f, port: p})
	if !b.flush.Active() {
		b.flush.Set(b.loop.Now())
	}
	return nil
}

func (b *Bus) sendable(f *canbus.Frame) error {
	if b.may != nil {
		return &Error{Op: "write", Iface: b.iface, Err: b.may}
	}
	if err := checkFrame(f, b.fd); err != nil {
		return err
	}
	switch {
	case b.gone:
		return &Error{Op: "write", Iface: b.iface, Err: fmt.Errorf("%w: %w", canbus.ErrBusOff, ErrGone)}
	case b.down:
		return &Error{Op: "write", Iface: b.iface, Err: fmt.Errorf("%w: %w", canbus.ErrBusOff, ErrDown)}
	case b.busOff:
		return canbus.ErrBusOff
	}
	return nil
}

// checkFrame reports why a socket must not be given the frame.
func checkFrame(f *canbus.Frame, fd bool) error {
	if err := f.Validate(); err != nil {
		return err
	}
	switch {
	case f.Has(canbus.Error):
		return fmt.Errorf("%w: error reports come from a controller, not from a node", canbus.ErrFrame)
	case f.Has(canbus.FD) && !fd:
		return fmt.Errorf("%w: the interface carries classical frames only", canbus.ErrFrame)
	}
	return nil
}

func (p *port) Close() error {
	if p.closed {
		return canbus.ErrClosed
	}
	b := p.bus
	p.closed = true
	b.ports = slices.DeleteFunc(slices.Clone(b.ports), func(o *port) bool { return o == p })
	b.queue = slices.DeleteFunc(b.queue, func(o flight) bool { return o.port == p })
	return nil
}

// send is the flush timer's event.
func (b *Bus) send() {
	for len(b.queue) > 0 {
		n, err := b.link.send(b.queue[:min(len(b.queue), perCall)])
		for i := range n {
			b.queue[i].at = b.loop.Now()
		}
		b.flying = append(b.flying, b.queue[:n]...)
		b.queue = slices.Delete(b.queue, 0, n)
		if err != nil && !b.failed(err) {
			return
		}
	}
}

// failed deals with an error of sending; true if the rest may be tried.
func (b *Bus) failed(err error) bool {
	switch {
	case errors.Is(err, canbus.ErrQueueFull):
		b.counts.full.Add(1)
		b.flush.Set(b.loop.Now() + retryAfter)
		return false
	case errors.Is(err, ErrDown), errors.Is(err, ErrGone):
		b.setDown(err)
		return false
	}
	b.counts.refused.Add(1)
	b.say(fmt.Sprintf("frame %v not sent: %v", &b.queue[0].frame, err))
	b.queue = slices.Delete(b.queue, 0, 1)
	return true
}

func (b *Bus) say(message string) {
	if b.opt.OnState != nil {
		b.opt.OnState("can:" + b.iface + ": " + message)
	}
}

// setDown forgets what was on its way, as the controller does. An interface
// that is removed goes down first.
func (b *Bus) setDown(err error) {
	if b.gone || b.down && errors.Is(err, ErrDown) {
		return
	}
	b.down, b.gone = true, !errors.Is(err, ErrDown)
	b.dropAll()
	b.say(err.Error())
	if b.gone {
		b.look.Stop()
		return
	}
	b.look.Set(b.loop.Now() + lookAfter)
}

func (b *Bus) dropAll() {
	b.counts.refused.Add(uint64(len(b.queue) + len(b.flying)))
	b.queue, b.flying = b.queue[:0], b.flying[:0]
	b.flush.Stop()
}

func (b *Bus) lookUp() {
	if !b.link.up() {
		b.look.Set(b.loop.Now() + lookAfter)
		return
	}
	b.setUp()
}

func (b *Bus) setUp() {
	if b.down {
		b.down, b.busOff = false, false
		b.look.Stop()
		b.say("the interface is up again")
	}
}
