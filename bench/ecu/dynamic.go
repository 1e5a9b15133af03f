package ecu

// dynamicDID is the range of service 2C besides the periodic one.
const dynamicDID = 0xF300

// maxDynamic bounds the identifiers that a tool can define, maxSources the parts
// of each.
const (
	maxDynamic = 8
	maxSources = 16
)

// source is one part of a dynamically defined identifier: bytes of another one, or
// of memory.
type source struct {
	did       uint16
	from, len int
	region    *region
}

// defineData is service 2C: 01 by identifier, 02 by memory address, 03 clear. What
// is defined is lost with power; a second definition adds to the first.
func (s *Server) defineData(req []byte) byte {
	if s.sub == 3 {
		return s.undefine(req)
	}
	if len(req) < 4 {
		return wrongLength
	}
	id := uint16(req[2])<<8 | uint16(req[3])
	if id>>8 != dynamicDID>>8 && id>>8 != periodicDID>>8 || s.dids[id] != nil {
		return requestOutOfRange
	}
	var add []source
	var nrc byte
	if s.sub == 1 {
		add, nrc = s.sourcesByDID(req[4:])
	} else {
		add, nrc = s.sourcesByAddress(req[4:])
	}
	if nrc != 0 {
		return nrc
	}
	had, again := s.dynamic[id]
	if !again && len(s.dynamic) >= maxDynamic || len(had)+len(add) > maxSources {
		return requestOutOfRange
	}
	if nrc := s.needs(nil); nrc != 0 {
		return nrc
	}
	if !s.dry {
		s.dynamic[id] = append(had[:len(had):len(had)], add...)
	}
	s.out = append(s.out, s.sub, req[2], req[3])
	return 0
}

func (s *Server) sourcesByDID(b []byte) ([]source, byte) {
	if len(b) == 0 || len(b)%4 != 0 {
		return nil, wrongLength
	}
	var add []source
	for ; len(b) > 0; b = b[4:] {
		id := uint16(b[0])<<8 | uint16(b[1])
		if _, nested := s.dynamic[id]; nested {
			return nil, requestOutOfRange
		}
		n := len(s.out)
		nrc := s.appendDID(id)
		size := len(s.out) - n - 2
		s.out = s.out[:n]
		if nrc != 0 {
			return nil, nrc
		}
		from, length := int(b[2]), int(b[3])
		if from == 0 || length == 0 || from-1+length > size {
			return nil, requestOutOfRange
		}
		add = append(add, source{did: id, from: from - 1, len: length})
	}
	return add, 0
}

func (s *Server) sourcesByAddress(b []byte) ([]source, byte) {
	if len(b) == 0 {
		return nil, wrongLength
	}
	format := b[0]
	step := int(format>>4) + int(format&0xF)
	if len(b) == 1 || step == 0 || (len(b)-1)%step != 0 {
		return nil, wrongLength
	}
	var add []source
	for b = b[1:]; len(b) > 0; b = b[step:] {
		address, size, ok := addressed(format, b[:step])
		if !ok {
			return nil, requestOutOfRange
		}
		r, nrc := s.readable(address, size)
		if nrc != 0 {
			return nil, nrc
		}
		add = append(add, source{region: r, from: int(address - r.spec.Address), len: int(size)})
	}
	return add, 0
}

// undefine is 2C 03: one identifier, or all.
func (s *Server) undefine(req []byte) byte {
	if len(req) != 2 && len(req) != 4 {
		return wrongLength
	}
	if len(req) == 2 {
		if !s.dry {
			s.forgetDynamic()
		}
		s.out = append(s.out, s.sub)
		return 0
	}
	id := uint16(req[2])<<8 | uint16(req[3])
	if _, ok := s.dynamic[id]; !ok {
		return requestOutOfRange
	}
	if !s.dry {
		delete(s.dynamic, id)
		s.dropPeriod(id)
	}
	s.out = append(s.out, s.sub, req[2], req[3])
	return 0
}

func (s *Server) forgetDynamic() {
	for id := range s.dynamic {
		s.dropPeriod(id)
	}
	clear(s.dynamic)
}

// dropPeriod ends the periodic answers of an identifier that is no more.
func (s *Server) dropPeriod(id uint16) {
	if id&0xFF00 == periodicDID {
		s.stopPeriodic([]byte{byte(id)})
	}
}

// appendDynamic adds the parts as they are now, if the session and its locks still
// allow them.
func (s *Server) appendDynamic(id uint16, parts []source) byte {
	at := len(s.out)
	s.out = append16(s.out, id)
	for _, p := range parts {
		if p.region != nil {
			if _, nrc := s.readable(p.region.spec.Address, 1); nrc != 0 {
				s.out = s.out[:at]
				return nrc
			}
			s.out = append(s.out, p.region.bytes(s.nv)[p.from:p.from+p.len]...)
			continue
		}
		n := len(s.out)
		if nrc := s.appendDID(p.did); nrc != 0 {
			s.out = s.out[:at]
			return nrc
		}
		copy(s.out[n:], s.out[n+2+p.from:n+2+p.from+p.len])
		s.out = s.out[:n+p.len]
	}
	return 0
}
