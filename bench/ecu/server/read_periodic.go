package server

import (
	"slices"

	"sawhorse/canbus/uds"
)

// readPeriodic is service 2A: 01 slow, 02 medium, 03 fast, 04 stop.
func readPeriodic() Service {
	return Service{ID: uds.ReadDataByPeriodicIdentifier, Name: "periodic data", Session: true, run: func(s *Server, q *request) reply {
		if len(q.data) < 2 || len(q.data) == 2 && q.data[1] != uds.PeriodicStop {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		ids := q.data[2:]
		p := &s.unit.Timing.Periodic
		every := p.Slow
		switch q.data[1] {
		case uds.PeriodicSlow, uds.PeriodicStop:
		case uds.PeriodicMedium:
			every = p.Medium
		case uds.PeriodicFast:
			every = p.Fast
		default:
			return refused(uds.RequestOutOfRange)
		}
		keep, nrc := s.periodicIDs(ids)
		switch {
		case nrc != 0:
			return refused(nrc)
		case q.data[1] == uds.PeriodicStop:
			return answered(q.positive(), func() { s.stopPeriodic(ids) })
		case len(s.periods)+s.morePeriods(keep) > p.Most:
			return refused(uds.RequestOutOfRange)
		}
		if nrc := q.unmet(s.readings, nil); nrc != 0 {
			return refused(nrc)
		}
		return answered(q.positive(), func() { s.startPeriodic(keep, every.Duration()) })
	}}
}

// periodicIDs are those of a request that the unit has in this session; none at
// all is out of range, one that is locked denies the request.
func (s *Server) periodicIDs(ids []byte) ([]byte, uds.NRC) {
	var keep []byte
	for _, id := range ids {
		b, nrc := s.appendDID(nil, periodicDID(id))
		switch {
		case nrc == uds.SecurityAccessDenied:
			return nil, nrc
		case nrc == 0 && len(b) <= 2+periodicBytes:
			keep = append(keep, id)
		}
	}
	if len(keep) == 0 && len(ids) > 0 {
		return nil, uds.RequestOutOfRange
	}
	return keep, 0
}

// morePeriods counts the identifiers that do not run yet, each once.
func (s *Server) morePeriods(ids []byte) int {
	n := 0
	for i, id := range ids {
		if !slices.Contains(ids[:i], id) && s.period(id) < 0 {
			n++
		}
	}
	return n
}
