package server

import (
	"slices"
	"time"

	"sawhorse/canbus/uds"
)

// periodicBytes is what a periodic answer carries behind its identifier: one
// single frame of eight bytes (ISO 14229-3, answers of type 1).
const periodicBytes = 6

// periodic is one identifier sent again and again: xx is F2xx.
type periodic struct {
	id    byte
	every time.Duration
	next  time.Duration
}

func periodicDID(id byte) uint16 { return uds.PeriodicIdentifiers<<8 | uint16(id) }

// period finds the place of a running identifier, -1 for none.
func (s *Server) period(id byte) int {
	return slices.IndexFunc(s.periods, func(p periodic) bool { return p.id == id })
}

// startPeriodic sends identifiers at a rate; the first comes behind the answer, one after
// the other.
func (s *Server) startPeriodic(ids []byte, every time.Duration) {
	for _, id := range ids {
		i := s.period(id)
		if i < 0 {
			i = len(s.periods)
			s.periods = append(s.periods, periodic{id: id})
		}
		s.periods[i].every, s.periods[i].next = every, s.now+s.unit.Timing.Most.Duration()+time.Duration(i+1)*time.Millisecond
	}
}

// stopPeriodic ends the named identifiers; none named, all.
func (s *Server) stopPeriodic(ids []byte) {
	s.periods = slices.DeleteFunc(s.periods, func(p periodic) bool { return len(ids) == 0 || slices.Contains(ids, p.id) })
}

// forgetDynamic drops every dynamically defined identifier.
func (s *Server) forgetDynamic() {
	// any order: each ends its own periodic answers
	for id := range s.dynamic {
		s.dropPeriod(id)
	}
	clear(s.dynamic)
}

// dropPeriod ends the periodic answers of an identifier that is no more.
func (s *Server) dropPeriod(id uint16) {
	if id>>8 == uds.PeriodicIdentifiers {
		s.stopPeriodic([]byte{byte(id)})
	}
}

// periodicNext is when the next periodic answer is due.
func (s *Server) periodicNext() (at time.Duration, ok bool) {
	for i := range s.periods {
		if p := &s.periods[i]; !ok || p.next < at {
			at, ok = p.next, true
		}
	}
	return at, ok
}

// stepPeriodic queues what is due. Answers to requests go first: while some wait,
// a turn is left out.
func (s *Server) stepPeriodic() {
	for i := range s.periods {
		p := &s.periods[i]
		if s.now < p.next {
			continue
		}
		p.next += p.every
		if p.next <= s.now {
			p.next = s.now + p.every
		}
		if len(s.queue) > maxQueue/2 {
			continue
		}
		b, nrc := s.appendDID(nil, periodicDID(p.id))
		if nrc == 0 && len(b) <= 2+periodicBytes {
			s.push(response{due: s.now, data: b[1:]})
		}
	}
}
