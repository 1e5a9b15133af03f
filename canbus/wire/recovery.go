package wire

import "time"

// Recover asks a bus-off node to come back: after 128 times 11 recessive bits its
// counters are 0 and it takes part again (ISO 11898-1:2015 clause 12.1.4.4). Asking
// twice changes nothing.
func (p *Port) Recover() error {
	if p.state != BusOff {
		return ErrNotBusOff
	}
	if p.need > 0 || p.closed {
		return nil
	}
	p.request.Stop()
	p.need, p.from = recoverRuns, p.bus.loop.Now()
	p.seg.counted++
	p.seg.resumeRecovery(p)
	return nil
}

func (p *Port) stopRecovery() {
	p.back.Stop()
	p.request.Stop()
	if p.need > 0 {
		p.need = 0
		p.seg.counted--
	}
}

// recessive reports whether the copper carries nothing just now.
func (s *segment) recessive() bool {
	if s.b.wiring == StuckRecessive && s == s.b.main {
		return true
	}
	started := s.phase == starting && s.start < s.b.loop.Now()
	return s.phase != occupied && !started && !s.stuck.on
}

func (s *segment) counting(p *Port) {
	p.back.Set(max(p.from, s.since) + s.b.nominal.span(p.need*idleBits))
}

func (s *segment) resumeRecovery(p *Port) {
	if p.need > 0 && s.recessive() {
		s.counting(p)
	}
}

func (s *segment) pauseRecovery(p *Port) {
	if p.need > 0 && s.recessive() {
		s.take(p, s.b.loop.Now())
	}
}

// take counts the whole runs up to t and stops; a run begun does not count.
func (s *segment) take(p *Port, t time.Duration) {
	p.need -= s.b.nominal.whole(t-max(p.from, s.since), idleBits)
	p.back.Stop()
	if p.need <= 0 {
		p.recovered()
	}
}

// recessiveUntil stops all counts at t, when a start bit ends the silence.
func (s *segment) recessiveUntil(t time.Duration) {
	if s.b.wiring == StuckRecessive && s == s.b.main {
		return
	}
	for _, p := range s.ports {
		if p.need > 0 {
			s.take(p, t)
		}
	}
}

func (p *Port) recoveryDue() {
	if p.seg.recessive() {
		p.recovered()
	}
}

func (p *Port) recovered() {
	now := p.bus.loop.Now()
	p.need = 0
	p.seg.counted--
	p.tec, p.rec, p.state = 0, 0, ErrorActive
	p.joined, p.readyAt = now, now
	p.report(classRestarted, 0, 0, "")
}

// recessiveFrom lets all bus-off nodes that want to come back count.
func (s *segment) recessiveFrom() {
	for _, p := range s.ports {
		s.resumeRecovery(p)
	}
}
