package uds

// ResultRow is the size of a row of service 06: monitor, test, unit and scaling, then
// value, least and greatest of two bytes each.
const ResultRow = 9

// Scaling is a unit and scaling of results of tests (SAE J1979 appendix E): Scale times
// the two bytes, plus Offset, in Unit ("" for none).
type Scaling struct {
	Scale, Offset float64
	Unit          string
	Signed        bool
}

// ScalingOf is the unit and scaling of a number; false if it is not in the table.
func ScalingOf(uas byte) (Scaling, bool) {
	s := scalings[uas]
	s.Signed = uas&0x80 != 0 // from 80 on
	return s, s.Scale != 0
}

// Value is the number that two bytes stand for.
func (s Scaling) Value(raw uint16) float64 { return float64(s.Scale*float64(s.Int(raw))) + s.Offset }

// Int is the number in the two bytes as it was sent.
func (s Scaling) Int(raw uint16) int {
	if s.Signed {
		return int(int16(raw))
	}
	return int(raw)
}

// scalings are those in use (from memory; 8B, 96 and FE unsure).
var scalings = [256]Scaling{
	0x01: {Scale: 1},
	0x02: {Scale: 0.1},
	0x03: {Scale: 0.01},
	0x04: {Scale: 0.001},
	0x07: {Scale: 0.25, Unit: "rev/min"},
	0x08: {Scale: 0.01, Unit: "km/h"},
	0x09: {Scale: 1, Unit: "km/h"},
	0x0A: {Scale: 0.000122, Unit: "V"},
	0x0B: {Scale: 0.001, Unit: "V"},
	0x0C: {Scale: 0.01, Unit: "V"},
	0x0D: {Scale: 1.0 / 256, Unit: "mA"},
	0x0E: {Scale: 0.001, Unit: "A"},
	0x10: {Scale: 1, Unit: "ms"},
	0x11: {Scale: 100, Unit: "ms"},
	0x12: {Scale: 1, Unit: "s"},
	0x14: {Scale: 1, Unit: "ohm"},
	0x16: {Scale: 0.1, Offset: -40, Unit: "degC"},
	0x17: {Scale: 0.01, Unit: "kPa"},
	0x1A: {Scale: 1, Unit: "kPa"},
	0x1C: {Scale: 0.01, Unit: "deg"},
	0x1E: {Scale: 0.0000305},
	0x20: {Scale: 1.0 / 256},
	0x22: {Scale: 1, Unit: "Hz"},
	0x24: {Scale: 1, Unit: "counts"},
	0x25: {Scale: 1, Unit: "km"},
	0x27: {Scale: 0.01, Unit: "g/s"},
	0x2F: {Scale: 0.01, Unit: "%"},
	0x34: {Scale: 1, Unit: "min"},
	0x81: {Scale: 1},
	0x82: {Scale: 0.1},
	0x83: {Scale: 0.01},
	0x84: {Scale: 0.001},
	0x8B: {Scale: 0.001, Unit: "V"},
	0x96: {Scale: 0.1, Unit: "degC"},
	0xFE: {Scale: 0.25, Unit: "Pa"},
}
