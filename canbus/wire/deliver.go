package wire

import "sawhorse/canbus"

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
