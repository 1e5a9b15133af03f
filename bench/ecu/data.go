package ecu

import (
	"encoding/binary"
	"encoding/hex"
	"math"
	"slices"
	"strings"
)

// maxDIDs bounds the identifiers of one request of service 22.
const maxDIDs = 16

// readData is service 22: of several identifiers only those that are supported
// in the session are answered; 31 only when none is.
func (s *Server) readData(req []byte) byte {
	if len(req) < 3 || len(req)%2 == 0 || len(req) > 1+2*maxDIDs {
		return wrongLength
	}
	found := false
	for i := 1; i < len(req); i += 2 {
		id := uint16(req[i])<<8 | uint16(req[i+1])
		switch nrc := s.appendDID(id); nrc {
		case 0:
			found = true
		case requestOutOfRange:
		default:
			return nrc
		}
	}
	if !found {
		return requestOutOfRange
	}
	return s.needs(nil)
}

// appendDID adds one identifier with its data. F4xx are the PIDs and F8xx the
// infotypes of emission OBD (ISO 27145-2, SAE J1979-2), unless the spec has its
// own.
func (s *Server) appendDID(id uint16) byte {
	if d := s.dids[id]; d != nil {
		switch {
		case d.in&s.session.mask == 0, s.boot && !slices.Contains(s.spec.Program.DIDs, id):
			return requestOutOfRange
		case !s.access.allows(d.security):
			return securityAccessDenied
		}
		s.out = d.layout.append(append16(s.out, id), s)
		return 0
	}
	if parts, ok := s.dynamic[id]; ok {
		return s.appendDynamic(id, parts)
	}
	n := len(s.out)
	switch {
	case s.spec.OBD == nil || s.boot:
		return requestOutOfRange
	case id>>8 == 0xF4:
		s.out = append(s.out, 0xF4)
		if s.appendPID(byte(id)) {
			return 0
		}
	case id>>8 == 0xF6 && len(s.mem.results) > 0 && s.appendMID(id):
		return 0
	case id>>8 == 0xF8 && byte(id)&0x1F == 0:
		mask := supported(byte(id), s.hasType)
		if mask == 0 && byte(id) != 0 {
			return requestOutOfRange
		}
		s.out = binary.BigEndian.AppendUint32(append16(s.out, id), mask)
		return 0
	case id>>8 == 0xF8 && s.types[byte(id)] != nil:
		s.out = s.types[byte(id)].layout.append(append16(s.out, id), s)
		return 0
	}
	s.out = s.out[:n]
	return requestOutOfRange
}

// appendMID adds the tests of a monitor without repeating it, or the mask of those
// there are (SAE J1979-2, from memory).
func (s *Server) appendMID(id uint16) bool {
	mid := byte(id)
	if mid&0x1F != 0 {
		if !s.mem.hasMID(mid) {
			return false
		}
		s.out = s.mem.appendResults(append16(s.out, id), mid)
		return true
	}
	mask := supported(mid, s.mem.hasMID)
	if mask == 0 && mid != 0 {
		return false
	}
	s.out = append16(append16(append16(s.out, id), uint16(mask>>16)), uint16(mask))
	return true
}

// writeData is service 2E: identifier known and writable in the session, then
// length, security, value, conditions.
func (s *Server) writeData(req []byte) byte {
	if len(req) < 4 {
		return wrongLength
	}
	id := uint16(req[1])<<8 | uint16(req[2])
	d := s.dids[id]
	if d == nil || d.write == nil || d.write.in&s.session.mask == 0 {
		return requestOutOfRange
	}
	data := req[3:]
	switch {
	case len(data) != d.size:
		return wrongLength
	case !s.access.allows(d.write.security):
		return securityAccessDenied
	case !d.layout.sound(data):
		return requestOutOfRange
	}
	if nrc := s.needs(d.write.needs); nrc != 0 {
		return nrc
	}
	if !s.dry {
		d.layout.store(data, s.nv)
	}
	s.out = append16(s.out, id)
	return 0
}

// sound reports whether data fits the layout: text is printable ASCII, padded
// with zeros at most.
func (l layout) sound(data []byte) bool {
	for i := range l {
		p := &l[i]
		part := data[:p.bytes]
		data = data[p.bytes:]
		if p.kind != pieceText {
			continue
		}
		for _, c := range strings.TrimRight(string(part), "\x00") {
			if c < 0x20 || c > 0x7E {
				return false
			}
		}
	}
	return true
}

// store writes data of a sound layout to NV.
func (l layout) store(data []byte, nv *NV) {
	for i := range l {
		p := &l[i]
		part := data[:p.bytes]
		data = data[p.bytes:]
		switch p.kind {
		case pieceText:
			nv.SetText(p.name, strings.TrimRight(string(part), "\x00"))
		case pieceHexText:
			nv.SetText(p.name, strings.ToUpper(hex.EncodeToString(part)))
		case pieceLearned:
			nv.Set(p.name, p.value(part))
		}
	}
}

// value is the inverse of number.
func (p *piece) value(b []byte) float64 {
	n := int64(0)
	for _, c := range b {
		n = n<<8 | int64(c)
	}
	if limit := int64(1) << (8*len(b) - 1); p.signed && n >= limit {
		n -= 2 * limit
	}
	return math.Round((float64(float64(n)*p.scale)+p.offset)*1e9) / 1e9
}
