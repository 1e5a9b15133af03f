package server

import "sawhorse/canbus/uds"

// requestDownload is service 34: not compressed, not encrypted, into a region that
// is erased.
func requestDownload() Service {
	return Service{ID: uds.RequestDownload, Name: "request download", Session: true, Physical: true, Slow: true, run: func(s *Server, q *request) reply {
		if len(q.data) < 5 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		sizes, addresses, ok := widths(q.data[2])
		switch {
		case !ok:
			return refused(uds.RequestOutOfRange)
		case len(q.data) != 3+sizes+addresses:
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		address, size, ok := addressed(q.data[2], q.data[3:])
		r := s.within(address, size)
		switch {
		case !ok || q.data[1] != 0 || r == nil || !r.spec.Program:
			return refused(uds.RequestOutOfRange)
		case s.transfer != nil:
			return refused(uds.ConditionsNotCorrect)
		}
		if nrc := q.unmet(s.readings, s.programBy); nrc != 0 {
			return refused(nrc)
		}
		from := address - r.spec.Address
		if !s.blankWithin(r, from, size) {
			return refused(uds.UploadDownloadNotAccepted)
		}
		b := append16(append(q.positive(), 0x20), uint16(s.unit.Programming.MaxBlock))
		return answered(b, func() { s.transfer = &transfer{region: r, at: from, end: from + size, next: 1} })
	}}
}
