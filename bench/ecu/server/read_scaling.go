package server

import (
	"math"

	"sawhorse/canbus/uds"
)

// kilometresPerHour is the unit identifier of the standard's worked example (ISO 14229-1
// annex C.2), the only one that is told.
const kilometresPerHour = 0x30

// readScaling is service 24: for each field its kind and length, the formula of a
// number, and its unit.
func readScaling() Service {
	return Service{ID: uds.ReadScalingDataByIdentifier, Name: "read scaling", run: func(s *Server, q *request) reply {
		if len(q.data) != 3 {
			return refused(uds.IncorrectMessageLengthOrInvalidFormat)
		}
		id := q.word(1)
		d := s.scaled(id)
		switch {
		case d == nil || d.in&s.session.mask == 0:
			return refused(uds.RequestOutOfRange)
		case !s.locks.allow(d.security):
			return refused(uds.SecurityAccessDenied)
		}
		if nrc := q.unmet(s.readings, nil); nrc != 0 {
			return refused(nrc)
		}
		b := append16(q.positive(), id)
		for i := range d.layout {
			b = s.appendScaling(b, &d.layout[i])
		}
		return answered(b)
	}}
}

// scaled finds an identifier, also a PID or an infotype; nil for none.
func (s *Server) scaled(id uint16) *did {
	if d := s.dids[id]; d != nil || s.unit.OBD == nil {
		return d
	}
	low := byte(id)
	switch {
	case id>>8 == uds.OBDParameters && s.hasPID(low) && !uds.IsRange(low):
		return &did{layout: s.pids[low], access: access{in: anySession}}
	case id>>8 == uds.OBDInfotypes && s.hasType(low):
		return &did{layout: s.types[low].layout, access: access{in: anySession}}
	}
	return nil
}

func (s *Server) appendScaling(b []byte, p *piece) []byte {
	switch p.kind {
	case pieceSignal, pieceLearned:
		kind := byte(uds.ScalingUnsigned)
		if p.signed {
			kind = uds.ScalingSigned
		}
		b = append(b, kind|byte(p.bytes), uds.ScalingFormula|5, 0)
		b = appendConstant(appendConstant(b, p.scale), p.offset)
		if p.kind == pieceSignal && s.readings.Infos()[p.ref].Unit == "km/h" {
			b = append(b, uds.ScalingUnit|1, kilometresPerHour)
		}
		return b
	case pieceText:
		return appendLength(b, uds.ScalingText, p.bytes)
	}
	return appendLength(b, uds.ScalingRaw, p.bytes)
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
		was, now := math.Abs(float64(best*math.Pow10(exponent))-v), math.Abs(float64(m*math.Pow10(e))-v)
		// Of equal ones the exponent nearest to none.
		if e == -8 || best == 0 && v != 0 || now < was*(1-1e-9) || now <= float64(was*(1+1e-9))+1e-15 && abs(e) < abs(exponent) {
			best, exponent = m, e
		}
	}
	return append16(b, uint16(exponent&0xF)<<12|uint16(int(best)&0xFFF))
}

func abs(n int) int { return max(n, -n) }
