package wire

func (s *segment) step() {
	switch s.phase {
	case starting:
		s.arbitrate()
	case occupied:
		s.finish()
	}
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
