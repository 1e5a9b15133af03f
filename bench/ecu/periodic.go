package ecu

import (
	"slices"
	"time"
)

// periodicDID is the range of service 2A: identifier xx is F2xx.
const periodicDID = 0xF200

// periodicBytes is what a periodic answer carries behind its identifier: one
// single frame of eight bytes (ISO 14229-3, answers of type 1).
const periodicBytes = 6

// minPeriod keeps the fastest rate from filling the bus.
const minPeriod = 10 * time.Millisecond

// periodic is one identifier sent again and again.
type periodic struct {
	id    byte
	every time.Duration
	next  time.Duration
}

// readPeriodic is service 2A: 01 slow, 02 medium, 03 fast, 04 stop.
func (s *Server) readPeriodic(req []byte) byte {
	if len(req) < 2 || len(req) == 2 && req[1] != 4 {
		return wrongLength
	}
	mode, ids := req[1], req[2:]
	p := &s.spec.Timing.Periodic
	every := map[byte]span{1: p.Slow, 2: p.Medium, 3: p.Fast}[mode]
	if every == 0 && mode != 4 {
		return requestOutOfRange
	}
	keep, nrc := s.periodicIDs(ids)
	if nrc != 0 {
		return nrc
	}
	if mode == 4 {
		if !s.dry {
			s.stopPeriodic(ids)
		}
		return 0
	}
	more := 0
	for i, id := range keep {
		if !slices.Contains(keep[:i], id) && !slices.ContainsFunc(s.periods, func(x periodic) bool { return x.id == id }) {
			more++
		}
	}
	if len(s.periods)+more > p.Most {
		return requestOutOfRange
	}
	if nrc := s.needs(nil); nrc != 0 || s.dry {
		return nrc
	}
	for _, id := range keep {
		i := slices.IndexFunc(s.periods, func(x periodic) bool { return x.id == id })
		if i < 0 {
			i = len(s.periods)
			s.periods = append(s.periods, periodic{id: id})
		}
		// The first comes behind the answer, one after the other.
		s.periods[i].every, s.periods[i].next = every.d(), s.now+s.spec.Timing.Most.d()+time.Duration(i+1)*time.Millisecond
	}
	return 0
}

// periodicIDs are those of a request that the unit has in this session; none at
// all is out of range, one that is locked denies the request.
func (s *Server) periodicIDs(ids []byte) ([]byte, byte) {
	var keep []byte
	for _, id := range ids {
		n := len(s.out)
		nrc := s.appendDID(periodicDID | uint16(id))
		size := len(s.out) - n - 2
		s.out = s.out[:n]
		switch {
		case nrc == securityAccessDenied:
			return nil, nrc
		case nrc == 0 && size <= periodicBytes:
			keep = append(keep, id)
		}
	}
	if len(keep) == 0 && len(ids) > 0 {
		return nil, requestOutOfRange
	}
	return keep, 0
}

// stopPeriodic ends the named identifiers; none named, all.
func (s *Server) stopPeriodic(ids []byte) {
	s.periods = slices.DeleteFunc(s.periods, func(p periodic) bool { return len(ids) == 0 || slices.Contains(ids, p.id) })
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
		keep := s.out
		s.out = make([]byte, 0, 2+periodicBytes)
		if s.appendDID(periodicDID|uint16(p.id)) == 0 && len(s.out) <= 2+periodicBytes {
			s.push(answer{due: s.now, data: s.out[1:]})
		}
		s.out = keep
	}
}
