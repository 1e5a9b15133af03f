package wire

import (
	"time"

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
