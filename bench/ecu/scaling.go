package ecu

import "math"

// Kinds of data in the high nibble of a scaling byte (ISO 14229-1 annex C.1).
const (
	scaleUnsigned = 0x00
	scaleSigned   = 0x10
	scaleText     = 0x60
	scaleRaw      = 0x20
	scaleFormula  = 0x90
	scaleUnit     = 0xA0
)

// unitIDs are the unit identifiers of annex C.2 that are told; km/h is that of the
// standard's worked example.
var unitIDs = map[string]byte{"km/h": 0x30}

// readScaling is service 24: for each field its kind and length, the formula of a
// number, and its unit.
func (s *Server) readScaling(req []byte) byte {
	if len(req) != 3 {
		return wrongLength
	}
	id := uint16(req[1])<<8 | uint16(req[2])
	d := s.dids[id]
	if d == nil && s.spec.OBD != nil {
		switch l := s.pids[byte(id)]; {
		case id>>8 == 0xF4 && l != nil && byte(id)&0x1F != 0:
			d = &did{layout: l, in: anySession}
		case id>>8 == 0xF8 && s.types[byte(id)] != nil:
			d = &did{layout: s.types[byte(id)].layout, in: anySession}
		}
	}
	switch {
	case d == nil || d.in&s.session.mask == 0:
		return requestOutOfRange
	case !s.access.allows(d.security):
		return securityAccessDenied
	}
	if nrc := s.needs(nil); nrc != 0 {
		return nrc
	}
	s.out = append16(s.out, id)
	infos := s.readings.Infos()
	for i := range d.layout {
		p := &d.layout[i]
		switch p.kind {
		case pieceSignal, pieceLearned:
			kind := byte(scaleUnsigned)
			if p.signed {
				kind = scaleSigned
			}
			s.out = append(s.out, kind|byte(p.bytes), scaleFormula|5, 0)
			s.out = appendConstant(appendConstant(s.out, p.scale), p.offset)
			if p.kind == pieceSignal {
				if u, ok := unitIDs[infos[p.ref].Unit]; ok {
					s.out = append(s.out, scaleUnit|1, u)
				}
			}
		case pieceText:
			s.out = appendLength(s.out, scaleText, p.bytes)
		default:
			s.out = appendLength(s.out, scaleRaw, p.bytes)
		}
	}
	return 0
}

// appendLength gives a length over 15 in several bytes of the same kind.
func appendLength(b []byte, kind byte, n int) []byte {
	for ; n > 15; n -= 15 {
		b = append(b, kind|15)
	}
	return append(b, kind|byte(n))
}

// appendConstant is a constant of a formula y = C0*x + C1 in two bytes: exponent of
// ten in the high nibble, mantissa in the other twelve bits, both two's complement
// (annex C.3).
func appendConstant(b []byte, v float64) []byte {
	best, exponent := 0.0, 0
	for e := -8; e <= 7; e++ {
		m := math.Round(v / math.Pow10(e))
		if m < -2048 || m > 2047 {
			continue
		}
		was, now := math.Abs(best*math.Pow10(exponent)-v), math.Abs(m*math.Pow10(e)-v)
		// Of equal ones the exponent nearest to none.
		if e == -8 || best == 0 && v != 0 || now < was*(1-1e-9) || now <= was*(1+1e-9)+1e-15 && abs(e) < abs(exponent) {
			best, exponent = m, e
		}
	}
	return append16(b, uint16(exponent&0xF)<<12|uint16(int(best)&0xFFF))
}

func abs(n int) int { return max(n, -n) }
