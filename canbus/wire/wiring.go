package wire

import (
	"fmt"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// Wiring is the condition of the copper.
type Wiring uint8

const (
	// Sound copper carries both levels.
	Sound Wiring = iota
	// StuckRecessive is a bus that cannot become dominant: CANH and CANL shorted,
	// CANH on ground or CANL on battery. Every start bit is a bit error; each
	// sender is bus-off after 32 tries. (Its error flags cannot become dominant
	// either; rule 4 of clause 12.1.4.2 read strictly would count those bits too
	// and end sooner.)
	StuckRecessive
	// StuckDominant is a bus that is never idle. Nobody can send; who was sending
	// ends bus-off, the others error-passive.
	StuckDominant
)

// stuckBus counts on while a bus is dominant.
type stuckBus struct {
	on    bool
	ticks int
	timer *clock.Timer
}

// SetWiring changes the copper now. It concerns the main part of a bus that is
// cut.
func (b *Bus) SetWiring(w Wiring) {
	if w == b.wiring {
		return
	}
	if b.wiring == StuckDominant {
		b.main.unstick()
	}
	b.wiring = w
	switch s := b.main; {
	case w == StuckDominant:
		s.stick()
	case w == StuckRecessive && s.phase == occupied:
		s.breakUp(bitError, flagBits+flagBits)
		s.since = b.loop.Now()
		s.recessiveFrom()
	}
}

// Wiring is the condition of the copper.
func (b *Bus) Wiring() Wiring { return b.wiring }

// breakUp turns the frame on the wire into an error frame from now on, of so many
// bits of flags.
func (s *segment) breakUp(kind errorKind, flags int) {
	now := s.b.loop.Now()
	if s.out.clean() || s.out.passed {
		s.out = outcome{kind: kind, detail: protBit0, place: placeData, touched: s.out.touched}
	}
	s.out.end = now + s.b.nominal.span(flags+delimBits)
	s.timer.Set(s.out.end)
	s.meter.release(s.out.end + s.b.nominal.span(interFrame))
}

func (s *segment) stick() {
	now := s.b.loop.Now()
	if s.counted > 0 && s.phase != occupied {
		s.recessiveUntil(now)
	}
	for _, p := range s.ports {
		p.stuckSender = s.phase == occupied && p.sending
	}
	if s.phase == occupied {
		s.breakUp(bitError, 0)
		s.meter.release(now)
		s.phase = settling
		s.fail()
	}
	s.timer.Stop()
	s.phase, s.stuck.on, s.stuck.ticks = quiet, true, 0
	s.meter.occupy(max(now, s.meter.free), maxTime)
	if s.stuck.timer == nil {
		s.stuck.timer = s.b.loop.NewTimer(clock.PriorityBus, s.tick)
	}
	s.stuck.timer.Set(now + s.b.nominal.span(flagBits))
}

const maxTime = time.Duration(1<<63 - 1)

// tick is rule 1 for everybody who saw six dominant bits, and later rule 6: the
// 14th dominant bit from the start of the flag and every 8 bits from there.
func (s *segment) tick() {
	first := s.stuck.ticks == 0
	s.stuck.ticks++
	more := false
	for _, p := range s.ports {
		switch {
		case p.state == BusOff:
			continue
		case p.stuckSender && !first:
			p.count(8, 0)
		case !p.stuckSender && first:
			p.stats.RxErrors++
			p.count(0, 1)
		case !p.stuckSender:
			p.count(0, 8)
		}
		more = more || p.state != BusOff && (p.stuckSender || p.rec < passiveAt)
	}
	if !more {
		return
	}
	wait := 8
	if first {
		wait = 14
	}
	s.stuck.timer.Set(s.b.loop.Now() + s.b.nominal.span(wait))
}

// unstick lets the nodes see an idle bus before anybody sends.
func (s *segment) unstick() {
	now := s.b.loop.Now()
	s.stuck.on = false
	s.stuck.timer.Stop()
	s.since, s.free = now, now+s.b.nominal.span(idleBits)
	s.meter.release(now)
	if s.counted > 0 {
		s.recessiveFrom()
	}
	s.schedule()
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

func (s *segment) runLater() {
	if fn := s.later; fn != nil {
		s.later = nil
		fn()
	}
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
