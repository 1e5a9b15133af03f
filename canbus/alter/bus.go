package alter

import (
	"math/rand/v2"
	"slices"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// Bus is a bus whose frames can be altered. It implements canbus.Bus around
// another one.
type Bus struct {
	loop  *clock.Loop
	inner canbus.Bus
	rules []*entry
	ports []*port
	taps  []func(canbus.Sighting)
	stats Stats
	// flying counts the touched frames that are under way at all ports.
	flying int
}

// entry is an alteration with its place in the loop.
type entry struct {
	active
	timer   *clock.Timer // releases a window that does not fill
	removed bool
}

// Stats counts what rules did.
type Stats struct {
	Touched uint64 // frames that an alteration took
	Dropped uint64 // of these, swallowed
	Lost    uint64 // that the bus refused afterwards, or that were too many to hold
	// Held are those that are under way now: delayed, waiting for room, or not yet
	// confirmed. What an alteration's window holds is not among them until it goes.
	Held int
}

// Wrap puts a Bus around inner. Both belong to the loop.
func Wrap(loop *clock.Loop, inner canbus.Bus) *Bus {
	b := &Bus{loop: loop, inner: inner}
	inner.Tap(b.see)
	return b
}

// Stats tells what rules have done so far.
func (b *Bus) Stats() Stats {
	s := b.stats
	for _, p := range b.ports {
		s.Held += len(p.flying)
	}
	return s
}

// Add puts an alteration to work, behind those that are there: the output of one is the
// input of the next. remove ends it; what it holds back still goes.
func (b *Bus) Add(r Alteration, rng *rand.Rand) (remove func(), err error) {
	if err := r.Check(); err != nil {
		return nil, err
	}
	e := &entry{active: active{Alteration: r, rng: rng}}
	e.timer = b.loop.NewTimer(clock.PriorityFault, func() { b.flush(e) })
	b.rules = append(b.rules, e)
	return func() {
		if e.removed {
			return
		}
		e.removed = true
		b.rules = slices.DeleteFunc(slices.Clone(b.rules), func(x *entry) bool { return x == e })
		b.flush(e)
	}, nil
}

// flush lets windows go that have waited long enough, or whose rule has ended.
func (b *Bus) flush(e *entry) {
	e.timer.Stop()
	for _, p := range b.ports {
		for _, o := range e.release(p.name, nil) {
			p.later(o)
		}
	}
}

// Tap implements canbus.Bus.
func (b *Bus) Tap(fn func(canbus.Sighting)) { b.taps = append(b.taps, fn) }

// see is the tap of the inner bus: it adds what was done to a frame.
func (b *Bus) see(s canbus.Sighting) {
	if s.Touched == "" && b.flying > 0 {
		for _, p := range b.ports {
			if p.name == s.Sender {
				s.Touched = p.noteOf(s.Frame)
				break
			}
		}
	}
	for _, fn := range b.taps {
		fn(s)
	}
}

// Attach implements canbus.Bus.
func (b *Bus) Attach(name string, n canbus.Node) (canbus.Port, error) {
	p := &port{bus: b, name: name, node: n}
	inner, err := b.inner.Attach(name, p)
	if err != nil {
		return nil, err
	}
	p.inner = inner
	b.ports = append(b.ports, p)
	return p, nil
}

// port is a node's place: the node on one side, the copper on the other.
type port struct {
	bus    *Bus
	name   string
	node   canbus.Node
	inner  canbus.Port
	flying []flight
	closed bool
}

// flight is a touched frame that is under way: its confirmation is not the node's,
// or is one for the frame as it was.
type flight struct {
	f    canbus.Frame
	orig canbus.Frame
	tell bool // the node hears that orig was sent
	note string
}

// Inner is the port on the bus behind.
func (p *port) Inner() canbus.Port { return p.inner }

// Receive implements canbus.Node.
func (p *port) Receive(f *canbus.Frame) { p.node.Receive(f) }

// Sent implements canbus.Node.
func (p *port) Sent(f *canbus.Frame) {
	for i := range p.flying {
		if same(&p.flying[i].f, f) {
			fl := p.flying[i]
			p.flying = append(p.flying[:i], p.flying[i+1:]...)
			p.bus.flying--
			if fl.tell {
				fl.orig.Time = f.Time
				p.node.Sent(&fl.orig)
			}
			return
		}
	}
	p.node.Sent(f)
}

// noteOf is what was done to a frame of this port that the tap sees.
func (p *port) noteOf(f *canbus.Frame) string {
	for i := range p.flying {
		if same(&p.flying[i].f, f) {
			return p.flying[i].note
		}
	}
	return ""
}

func same(a, b *canbus.Frame) bool {
	const kind = canbus.Extended | canbus.Remote | canbus.FD
	return a.ID == b.ID && a.Len == b.Len && a.Flags&kind == b.Flags&kind && a.Data == b.Data
}

// Send implements canbus.Port.
func (p *port) Send(f *canbus.Frame) error {
	if len(p.bus.rules) == 0 {
		return p.inner.Send(f)
	}
	if err := f.Validate(); err != nil {
		return err
	}
	if p.closed {
		return canbus.ErrClosed
	}
	rules, now := p.bus.rules, p.bus.loop.Now()
	first := 0
	for first < len(rules) && !rules[first].wants(now, p.name, f) {
		first++
	}
	if first == len(rules) {
		return p.inner.Send(f)
	}
	return p.alter(rules[first:], *f)
}

// alter sends what the rules make of a frame that the first of them wants.
func (p *port) alter(rules []*entry, orig canbus.Frame) error {
	outs := p.take(rules[0], orig, nil)
	for _, e := range rules[1:] {
		outs = p.through(e, outs)
	}
	p.bus.stats.Touched++
	if len(outs) == 1 && outs[0].wait == 0 {
		return p.submit(flight{f: outs[0].f, orig: orig, tell: true, note: outs[0].note})
	}
	if len(outs) == 0 {
		p.bus.stats.Dropped++
	}
	for _, o := range outs {
		p.later(o)
	}
	// The gateway has taken the frame; the node hears so in an event of its own.
	p.bus.loop.At(p.bus.loop.Now(), clock.PriorityBus, func() {
		if !p.closed {
			p.node.Sent(&orig)
		}
	})
	return nil
}

// through passes what the rules before have made of a frame through one more.
func (p *port) through(e *entry, in []output) []output {
	var out []output
	for _, o := range in {
		if !e.wants(p.bus.loop.Now(), p.name, &o.f) {
			out = append(out, o)
			continue
		}
		n := len(out)
		out = p.take(e, o.f, out)
		for i := n; i < len(out); i++ {
			out[i].wait += o.wait
			out[i].note = join(o.note, out[i].note)
		}
	}
	return out
}

// take has one rule act on a frame that it wants.
func (p *port) take(e *entry, f canbus.Frame, out []output) []output {
	now := p.bus.loop.Now()
	if e.Act == Reorder && e.Alteration.Delay > 0 && !e.timer.Active() {
		e.timer.Set(now + e.Alteration.Delay)
	}
	return e.apply(now, p.name, f, out)
}

func join(a, b string) string {
	switch {
	case a == "":
		return b
	case b == "":
		return a
	}
	return a + "; " + b
}

// later sends an output when its time has come, without telling the node.
func (p *port) later(o output) {
	if o.wait <= 0 {
		p.retry(flight{f: o.f, note: o.note})
		return
	}
	p.hold(o.wait, flight{f: o.f, note: o.note})
}

// hold submits a frame after a time.
func (p *port) hold(wait time.Duration, fl flight) {
	p.bus.stats.Held++
	p.bus.loop.At(p.bus.loop.Now()+wait, clock.PriorityFault, func() {
		p.bus.stats.Held--
		p.retry(fl)
	})
}

// patience is how long a held frame waits for room in the port's queue.
const patience = time.Millisecond

// retry submits a frame that nobody waits for; a full queue is tried again.
func (p *port) retry(fl flight) {
	if p.closed {
		return
	}
	switch err := p.submit(fl); err {
	case nil:
	case canbus.ErrQueueFull:
		if len(p.flying) < maxHeld {
			p.hold(patience, fl)
			return
		}
		fallthrough
	default:
		p.bus.stats.Lost++
	}
}

func (p *port) submit(fl flight) error {
	p.flying = append(p.flying, fl)
	p.bus.flying++
	err := p.inner.Send(&fl.f)
	if err != nil {
		p.flying = p.flying[:len(p.flying)-1]
		p.bus.flying--
	}
	return err
}

// Close implements canbus.Port.
func (p *port) Close() error {
	if p.closed {
		return canbus.ErrClosed
	}
	p.closed = true
	p.bus.flying -= len(p.flying)
	p.flying = nil
	p.bus.ports = slices.DeleteFunc(slices.Clone(p.bus.ports), func(o *port) bool { return o == p })
	return p.inner.Close()
}
