package wire

import (
	"math"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

type phase uint8

const (
	quiet    phase = iota // nobody wants to send
	starting              // a start bit is to come or on the wire
	occupied              // a frame or error frame is on the wire
	settling              // it has ended and the nodes are being told
)

// segment is one piece of connected copper: the whole bus, or what an unplugged
// port or a cut leaves on its own.
type segment struct {
	b       *Bus
	ports   []*Port // replaced, never changed in place: nodes may act while it is read
	timer   *clock.Timer
	phase   phase
	start   time.Duration // of the start bit to come or of the frame on the wire
	free    time.Duration // end of the last intermission
	since   time.Duration // recessive from here on, when not occupied
	senders []*Port       // of the frame on the wire: one, or several with equal frames
	leavers []*Port       // error-passive ones that fell out of it
	frame   canbus.Frame
	length  int // of the frame in bits
	out     outcome
	stuck   stuckBus
	meter   meter
	counted int    // ports that count recessive bits
	later   func() // waits for the next gap
}

func (b *Bus) newSegment() *segment {
	now := b.loop.Now()
	s := &segment{b: b, since: now, free: now, meter: newMeter(b.cfg.Window)}
	s.timer = b.loop.NewTimer(clock.PriorityBus, s.step)
	return s
}

// hears reports whether the node receives the frame on the wire of s.
func (p *Port) hears(s *segment) bool {
	return p.seg == s && !p.sending && !p.closed && p.state != BusOff && p.joined <= s.start
}

// ready reports whether the node would send at t.
func (p *Port) ready(t time.Duration) bool {
	return len(p.q.heap) > 0 && p.readyAt <= t && p.state != BusOff
}

// settle has an error-passive sender wait before its next frame (suspend
// transmission, ISO 11898-1:2015 clause 10.4.6.4).
func (p *Port) settle(s *segment) {
	if p.state == ErrorPassive {
		p.readyAt = s.free + p.bus.nominal.span(suspendBits)
	}
}

// set sets the timer, exactly for a frame that was sent at an exact moment.
func (s *segment) set(at time.Duration, exact bool) {
	if exact {
		s.timer.SetExact(at)
	} else {
		s.timer.Set(at)
	}
}

// wanted is told that a port has something to send.
func (s *segment) wanted(p *Port) {
	if s.phase != quiet && s.phase != starting || s.stuck.on {
		return
	}
	s.aim(max(s.b.loop.Now(), s.free, p.readyAt), s.b.loop.Exact())
}

// aim has the next frame start at t if none starts before. Who is ready when the
// start bit has passed takes part: that is how far nodes synchronise
// (ISO 11898-1:2015 clause 11.3.2.1).
func (s *segment) aim(t time.Duration, exact bool) {
	if s.phase == starting && s.start <= t {
		return
	}
	s.phase, s.start = starting, t
	s.set(t+s.b.nominal.span(1), exact)
}

// schedule looks for the next start among all ports.
func (s *segment) schedule() {
	if s.stuck.on {
		return
	}
	first, exact := time.Duration(math.MaxInt64), false
	for _, p := range s.ports {
		if len(p.q.heap) > 0 && p.state != BusOff {
			first = min(first, p.readyAt)
			exact = exact || p.q.slots[p.q.heap[0].at].exact
		}
	}
	if first < math.MaxInt64 {
		s.aim(max(s.b.loop.Now(), s.free, first), exact)
	}
}

// reschedule does so anew when a port has gone that may have been the reason.
func (s *segment) reschedule() {
	if s.phase != starting || s.start < s.b.loop.Now() {
		return
	}
	s.phase = quiet
	s.timer.Stop()
	s.schedule()
}

// load copies a port's frame as its controller sends it.
func (s *segment) load(p *Port, f *canbus.Frame) {
	*f = p.q.slots[p.cur.at].frame
	f.Bus = s.b.cfg.Number
	if p.state == ErrorPassive && f.Flags&canbus.FD != 0 {
		f.Flags |= canbus.ErrorPassive
	}
}

// occupy sets the end of what is on the wire.
func (s *segment) occupy(end time.Duration) {
	p := s.senders[0]
	s.set(end, p.q.slots[p.cur.at].exact)
	s.meter.occupy(s.start, end+s.b.nominal.span(interFrame))
}

// heard reports whether anybody acknowledges.
func (s *segment) heard() bool {
	for _, p := range s.ports {
		if p.hears(s) && p != s.out.victim {
			return true
		}
	}
	return false
}

func (s *segment) runLater() {
	if fn := s.later; fn != nil {
		s.later = nil
		fn()
	}
}
