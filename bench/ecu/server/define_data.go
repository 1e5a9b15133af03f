package server

import "sawhorse/canbus/uds"

// maxDynamic bounds the identifiers that a tool can define, maxSources the parts
// of each.
const (
	maxDynamic = 8
	maxSources = 16
)

// defineData is service 2C: 01 by identifier, 02 by memory address, 03 clear. What
// is defined is lost with power; a second definition adds to the first.
func defineData() Service {
	own := subs(uds.DefineByIdentifier, uds.DefineByMemoryAddress, uds.ClearDynamicallyDefinedDataIdentifier)
	return Service{ID: uds.DynamicallyDefineDataIdentifier, Name: "define data", Subs: own, run: func(s *Server, q *request) reply {
		if q.sub == uds.ClearDynamicallyDefinedDataIdentifier {
			return s.undefine(q)
		}
		return s.define(q)
	}}
}

func (s *Server) define(q *request) reply {
	if len(q.data) < 4 {
		return refused(uds.IncorrectMessageLengthOrInvalidFormat)
	}
	id := q.word(2)
	if id>>8 != uds.DynamicIdentifiers && id>>8 != uds.PeriodicIdentifiers || s.dids[id] != nil {
		return refused(uds.RequestOutOfRange)
	}
	sources := s.sourcesByAddress
	if q.sub == uds.DefineByIdentifier {
		sources = s.sourcesByDID
	}
	add, nrc := sources(q.data[4:])
	if nrc != 0 {
		return refused(nrc)
	}
	had, again := s.dynamic[id]
	if !again && len(s.dynamic) >= maxDynamic || len(had)+len(add) > maxSources {
		return refused(uds.RequestOutOfRange)
	}
	if nrc := q.unmet(s.readings, nil); nrc != 0 {
		return refused(nrc)
	}
	return answered(append16(append(q.positive(), q.sub), id), func() { s.dynamic[id] = append(had[:len(had):len(had)], add...) })
}

func (s *Server) sourcesByDID(b []byte) ([]source, uds.NRC) {
	if len(b) == 0 || len(b)%4 != 0 {
		return nil, uds.IncorrectMessageLengthOrInvalidFormat
	}
	var add []source
	for ; len(b) > 0; b = b[4:] {
		id := uint16(b[0])<<8 | uint16(b[1])
		if _, nested := s.dynamic[id]; nested {
			return nil, uds.RequestOutOfRange
		}
		data, nrc := s.appendDID(nil, id)
		if nrc != 0 {
			return nil, nrc
		}
		from, length := int(b[2]), int(b[3])
		if from == 0 || length == 0 || from-1+length > len(data)-2 {
			return nil, uds.RequestOutOfRange
		}
		add = append(add, source{did: id, from: from - 1, len: length})
	}
	return add, 0
}

func (s *Server) sourcesByAddress(b []byte) ([]source, uds.NRC) {
	if len(b) == 0 {
		return nil, uds.IncorrectMessageLengthOrInvalidFormat
	}
	format := b[0]
	step := int(format>>4) + int(format&0xF)
	if len(b) == 1 || step == 0 || (len(b)-1)%step != 0 {
		return nil, uds.IncorrectMessageLengthOrInvalidFormat
	}
	var add []source
	for b = b[1:]; len(b) > 0; b = b[step:] {
		address, size, ok := addressed(format, b[:step])
		if !ok {
			return nil, uds.RequestOutOfRange
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
func (s *Server) undefine(q *request) reply {
	b := append(q.positive(), q.sub)
	switch len(q.data) {
	case 2:
		return answered(b, s.forgetDynamic)
	case 4:
	default:
		return refused(uds.IncorrectMessageLengthOrInvalidFormat)
	}
	id := q.word(2)
	if _, ok := s.dynamic[id]; !ok {
		return refused(uds.RequestOutOfRange)
	}
	return answered(append16(b, id), func() {
		delete(s.dynamic, id)
		s.dropPeriod(id)
	})
}
