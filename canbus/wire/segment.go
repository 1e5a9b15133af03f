package wire

import (
	"math"
	"slices"
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

func (s *segment) step() {
	switch s.phase {
	case starting:
		s.arbitrate()
	case occupied:
		s.finish()
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

// set sets the timer, exactly for a frame that was sent at an exact moment.
func (s *segment) set(at time.Duration, exact bool) {
	if exact {
		s.timer.SetExact(at)
	} else {
		s.timer.Set(at)
	}
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

// arbitrate ends the start bit: of the ports that are ready the lowest
// arbitration field stays on the wire.
func (s *segment) arbitrate() {
	s.senders, s.leavers = s.senders[:0], s.leavers[:0]
	ready, best := 0, uint32(0)
	for _, p := range s.ports {
		if !p.ready(s.start) {
			continue
		}
		ready++
		switch key := p.q.heap[0].key; {
		case len(s.senders) == 0 || key < best:
			s.senders, best = append(s.senders[:0], p), key
		case key == best:
			s.senders = append(s.senders, p)
		}
	}
	if ready == 0 {
		s.phase = quiet
		s.schedule()
		return
	}
	if s.counted > 0 {
		s.recessiveUntil(s.start)
	}
	s.phase = occupied
	if s.b.wiring == StuckRecessive && s == s.b.main {
		s.shorted()
		return
	}
	if ready > len(s.senders) {
		for _, p := range s.ports {
			if p.ready(s.start) && p.q.heap[0].key != best {
				p.stats.LostArbitration++
			}
		}
	}
	for _, p := range s.senders {
		p.cur, p.sending = p.q.take(), true
		p.q.slots[p.cur.at].tries++
	}
	s.transmit()
}

// transmit puts the winner's frame on the wire and foresees its end.
func (s *segment) transmit() {
	s.out = outcome{}
	if len(s.senders) > 1 && s.collide() {
		s.occupy(s.out.end)
		return
	}
	p := s.senders[0]
	s.load(p, &s.frame)
	nominal, data := Bits(&s.frame)
	s.length = nominal + data
	if len(s.b.hooks) > 0 {
		s.disturb(p)
	}
	if s.out.clean() {
		if s.heard() {
			s.out.end = s.start + s.b.span(nominal, data)
		} else {
			s.unheard(nominal, data)
		}
	}
	s.occupy(s.out.end)
}

// load copies a port's frame as its controller sends it.
func (s *segment) load(p *Port, f *canbus.Frame) {
	*f = p.q.slots[p.cur.at].frame
	f.Bus = s.b.cfg.Number
	if p.state == ErrorPassive && f.Flags&canbus.FD != 0 {
		f.Flags |= canbus.ErrorPassive
	}
}

func (b *Bus) span(nominal, data int) time.Duration {
	if data == 0 {
		return b.nominal.span(nominal)
	}
	return b.nominal.span(nominal) + b.fast.span(data)
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

// finish ends the frame or the error frame on the wire.
func (s *segment) finish() {
	now := s.b.loop.Now()
	s.phase = settling
	s.free = now + s.b.nominal.span(interFrame)
	if s.b.wiring != StuckRecessive || s != s.b.main {
		// The acknowledge delimiter and EOF, or an error delimiter, were recessive.
		s.since = now - s.b.nominal.span(afterAck)
	}
	if s.out.clean() {
		s.succeed()
	} else {
		s.fail()
	}
	s.phase = quiet
	s.runLater()
	if s.counted > 0 {
		s.recessiveFrom()
	}
	s.schedule()
}

// succeed is a frame that passed and was acknowledged.
func (s *segment) succeed() {
	if s == s.b.main {
		s.b.stats.Frames++
		s.b.stats.Bits += uint64(s.length)
	}
	note := s.out.touched
	for _, p := range s.senders {
		if n := p.q.slots[p.cur.at].note; n != "" && note == "" {
			note = n
		}
		p.q.release(p.cur.at)
		p.stats.Sent++
		if p.tec > 0 {
			p.count(-1, 0)
		}
		p.settle(s)
	}
	s.deliver(note, true)
	for _, p := range s.senders {
		p.sending = false
	}
	if v := s.out.victim; v != nil {
		v.stats.RxErrors++
		v.count(0, 1)
	}
	s.failLeavers()
}

// deliver shows the frame to the tap, then to its senders and receivers.
func (s *segment) deliver(note string, confirm bool) {
	ports, victim := s.ports, s.out.victim
	for _, p := range ports {
		if p.rec > 0 && p.hears(s) && p != victim {
			p.received()
		}
	}
	s.frame.Time = s.b.loop.Now()
	if s == s.b.main {
		s.b.show(canbus.Sighting{Frame: &s.frame, Sender: s.senders[0].name, Touched: note})
	}
	if confirm {
		for _, p := range s.senders {
			if !p.closed {
				p.node.Sent(&s.frame)
			}
		}
	}
	for _, p := range ports {
		if p.hears(s) && p != victim {
			p.stats.Received++
			p.node.Receive(&s.frame)
		}
	}
}

func (s *segment) add(p *Port) {
	now := s.b.loop.Now()
	p.seg, p.joined, p.readyAt = s, now, now
	s.ports = append(slices.Clone(s.ports), p)
	if p.need > 0 {
		s.counted++
		p.from = now
	}
	if s.stuck.on && !s.stuck.timer.Active() {
		s.stuck.timer.Set(now + s.b.nominal.span(flagBits))
	}
}

func (s *segment) remove(p *Port) {
	s.ports = slices.DeleteFunc(slices.Clone(s.ports), func(q *Port) bool { return q == p })
	if p.need > 0 {
		s.counted--
	}
	s.listenerGone()
	s.reschedule()
}

// listenerGone looks whether the frame on the wire still has somebody to
// acknowledge it, as long as that has not happened.
func (s *segment) listenerGone() {
	if s.phase != occupied || !s.out.clean() || s.heard() {
		return
	}
	now := s.b.loop.Now()
	nominal, data := Bits(&s.frame)
	if now >= s.start+s.b.span(nominal-afterAck, data) {
		return
	}
	s.unheard(nominal, data)
	s.timer.Set(s.out.end)
	s.meter.release(s.out.end + s.b.nominal.span(interFrame))
}
