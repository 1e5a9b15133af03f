package wire

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/canbus"
)

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

// Cut opens the bus between the named nodes and the rest, at the next gap between
// frames: two buses until Mend, of which the tap hears the rest's. A name that
// is not attached is an error, and nothing is cut.
func (b *Bus) Cut(names ...string) error {
	if b.part != nil {
		return fmt.Errorf("bus %q is cut already", b.name)
	}
	for _, n := range names {
		if _, ok := b.names[n]; !ok {
			return fmt.Errorf("bus %q: no node %q to cut off", b.name, n)
		}
	}
	b.part = b.newSegment()
	b.main.later = func() {
		for _, n := range names {
			if p, ok := b.names[n]; ok {
				p.rehome(b.part)
			}
		}
	}
	if b.main.phase != occupied {
		b.main.runLater()
	}
	return nil
}

// IsCut reports whether the bus is in two parts.
func (b *Bus) IsCut() bool { return b.part != nil }

// Mend joins what was cut.
func (b *Bus) Mend() {
	if b.part == nil {
		return
	}
	b.main.later = nil
	for _, p := range b.part.ports {
		p.rehome(b.main)
	}
	for _, p := range b.ports {
		p.home = b.main // the unplugged ones, too
	}
	b.part = nil
}

func (p *Port) rehome(to *segment) {
	p.home = to
	if !p.unplugged && !p.closed {
		p.seg.move(p, to)
	}
}

// move takes a port from one piece of copper to another.
func (s *segment) move(p *Port, to *segment) {
	carried := s.phase == occupied && p.sending
	broken := s.phase == occupied && p.hears(s)
	start, frame, out := s.start, s.frame, s.out
	if carried {
		s.leave(p)
	}
	s.pauseRecovery(p)
	s.remove(p)
	to.add(p)
	to.resumeRecovery(p)
	if broken {
		p.stats.RxErrors++
		p.count(0, 1) // the frame breaks off for it: a stuff error
	}
	switch {
	case !carried:
		if len(p.q.heap) > 0 {
			to.wanted(p)
		}
	case to.stuck.on:
		p.stuckSender = true
		p.failed(to, &outcome{kind: bitError, detail: protBit1, place: placeData})
	case len(to.ports) == 1:
		to.carryOn(p, start, &frame, &out)
	default:
		to.jam(p)
	}
}

// leave takes a sender off the frame on the wire; if it was the only one the rest
// of the frame is missing.
func (s *segment) leave(p *Port) {
	s.senders, s.leavers = without(s.senders, p), without(s.leavers, p)
	if len(s.senders) == 0 {
		s.out.passed = false
		if s.out.clean() {
			s.breakUp(stuffError, flagBits+flagBits)
		}
	}
}

func without(ports []*Port, p *Port) []*Port {
	kept := ports[:0]
	for _, q := range ports {
		if q != p {
			kept = append(kept, q)
		}
	}
	return kept
}

// carryOn is the rest of a frame whose sender has lost its bus.
func (s *segment) carryOn(p *Port, start time.Duration, f *canbus.Frame, out *outcome) {
	now := s.b.loop.Now()
	s.phase, s.start, s.frame, s.out = occupied, start, *f, *out
	s.senders = append(s.senders[:0], p)
	s.out.passed, s.out.victim = false, nil
	if s.out.clean() {
		s.unheard(Bits(f))
	}
	s.out.end = max(s.out.end, now)
	s.timer.Set(s.out.end)
}

// jam is a node that comes onto the bus in the middle of its frame.
func (s *segment) jam(p *Port) {
	now := s.b.loop.Now()
	if s.phase != occupied {
		if s.counted > 0 {
			s.recessiveUntil(now)
		}
		s.phase, s.start, s.out = occupied, now, outcome{}
		s.senders, s.leavers = s.senders[:0], s.leavers[:0]
		s.meter.occupy(max(now, s.meter.free), now)
	}
	s.senders = append(s.senders, p)
	s.breakUp(bitError, flagBits+flagBits)
}

// Unplug pulls the cable. The node hears nothing from now on and nobody hears it:
// its frames lack acknowledgement, so it repeats them, becomes error-passive and
// stays so. A frame it was sending breaks off on the bus.
func (p *Port) Unplug() {
	if p.unplugged || p.closed {
		return
	}
	p.unplugged = true
	p.seg.move(p, p.bus.newSegment())
}

// Plug puts the cable back. The node takes part from the next frame that starts;
// if it is repeating a frame just now, that and one on the bus collide.
func (p *Port) Plug() {
	if !p.unplugged || p.closed {
		return
	}
	p.unplugged = false
	p.seg.move(p, p.home)
}

// ForceBusOff makes the node bus-off now, as a controller does whose transceiver
// sees errors nobody else sees. A frame it was sending breaks off.
func (p *Port) ForceBusOff() {
	if p.state == BusOff || p.closed {
		return
	}
	if p.seg.phase == occupied && p.sending {
		p.sending = false
		p.q.restore(p.cur)
		p.seg.leave(p)
	}
	p.tec = busOffAt
	p.goBusOff()
	p.seg.listenerGone()
}
