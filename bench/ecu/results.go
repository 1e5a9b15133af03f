package ecu

import (
	"fmt"
	"math"
	"slices"

	"sawhorse/bench/signal"
)

// resultSpec is one test of service 06: what the monitor of a code measured last,
// and the limits it was held against.
type resultSpec struct {
	MID  uint8  `yaml:"mid"`
	TID  uint8  `yaml:"tid"`
	Name string `yaml:"name"`
	// UAS is the unit and scaling of SAE J1979 appendix E.
	UAS uint8 `yaml:"uas"`
	// Code is the code whose monitor measures it.
	Code string `yaml:"code"`
	// Signal is the reading measured; And is added to it.
	Signal string `yaml:"signal"`
	And    string `yaml:"and"`
	// Over is last, mean, highest or lowest of the samples of the cycle. Counted is the
	// last too, but known before the monitor has finished; ewma is the exponentially
	// weighted mean over the driving cycles, a tenth of it the last one's.
	Over string `yaml:"over"`
	// Const is a constant of the monitor in place of a reading: value and both limits.
	Const   *float64 `yaml:"const"`
	AtLeast *float64 `yaml:"at_least"`
	AtMost  *float64 `yaml:"at_most"`
}

// scaling is a unit and scaling of service 06: value = raw * perBit + offset.
type scaling struct{ perBit, offset float64 }

// scalings are the unit and scaling identifiers in use (SAE J1979 appendix E).
// From 80 on the raw value is signed.
var scalings = map[uint8]scaling{
	0x01: {1, 0}, 0x02: {0.1, 0}, 0x03: {0.01, 0}, 0x04: {0.001, 0}, 0x07: {0.25, 0}, 0x08: {0.01, 0}, 0x09: {1, 0},
	0x0A: {0.000122, 0}, 0x0B: {0.001, 0}, 0x0C: {0.01, 0}, 0x0D: {1. / 256, 0}, 0x0E: {0.001, 0},
	0x10: {0.001, 0}, 0x11: {0.1, 0}, 0x12: {1, 0}, 0x14: {1, 0}, 0x16: {0.1, -40}, 0x17: {0.01, 0}, 0x1A: {1, 0}, 0x1C: {0.01, 0},
	0x1E: {0.0000305, 0}, 0x20: {1. / 256, 0}, 0x22: {1, 0}, 0x24: {1, 0}, 0x25: {1, 0}, 0x27: {0.01, 0}, 0x2F: {0.01, 0}, 0x34: {1, 0},
	0x81: {1, 0}, 0x82: {0.1, 0}, 0x83: {0.01, 0}, 0x84: {0.001, 0}, 0x8B: {0.001, 0}, 0x96: {0.1, 0}, 0xFE: {0.25, 0},
}

// raw is a value in the two bytes of its scaling, stopped at their ends.
func (s *resultSpec) raw(v float64) uint16 {
	k := scalings[s.UAS]
	n := math.Round((v - k.offset) / k.perBit)
	if s.UAS&0x80 != 0 {
		return uint16(int16(min(max(n, math.MinInt16), math.MaxInt16)))
	}
	return uint16(min(max(n, 0), math.MaxUint16))
}

// limits are the least and the most in two bytes; an open end is the range's.
func (s *resultSpec) limits() (least, most uint16) {
	if s.Const != nil {
		return s.raw(*s.Const), s.raw(*s.Const)
	}
	least, most = 0, math.MaxUint16
	if s.UAS&0x80 != 0 {
		least, most = 0x8000, 0x7FFF
	}
	if s.AtLeast != nil {
		least = s.raw(*s.AtLeast)
	}
	if s.AtMost != nil {
		most = s.raw(*s.AtMost)
	}
	return least, most
}

// result is one bound test: the samples of this cycle, and the last result since
// the last clear, which is kept over power.
type result struct {
	spec  *resultSpec
	refs  []signal.Ref
	n     int
	value float64
	last  float64
	known bool
}

// bindResults binds the tests of service 06 to readings and codes.
func (m *Memory) bindResults(b *binder, specs []resultSpec) {
	m.results, m.readings = nil, b.t
	m.rows = make([][]int, len(m.codes))
	for i := range specs {
		s := &specs[i]
		p := fmt.Sprintf("$.obd.results[%d]", i)
		r := result{spec: s}
		if s.Const == nil {
			r.refs = append(r.refs, b.ref(p+".signal", s.Signal))
		}
		if s.And != "" {
			r.refs = append(r.refs, b.ref(p+".and", s.And))
		}
		if k, ok := m.byName[s.Code]; ok {
			m.rows[k] = append(m.rows[k], len(m.results))
		}
		m.results = append(m.results, r)
	}
}

// measure takes one sample of the tests that belong to a code; with the code's
// result the measured value becomes the last one.
func (m *Memory) measure(ref int, complete bool) {
	if ref >= len(m.rows) {
		return
	}
	for _, k := range m.rows[ref] {
		r := &m.results[k]
		v := 0.0
		if r.spec.Const != nil {
			v = *r.spec.Const
		}
		for _, at := range r.refs {
			v += m.readings.Get(at)
		}
		r.n++
		switch {
		case r.n == 1, slices.Contains(latestOvers, r.spec.Over):
			r.value = v
		case r.spec.Over == "highest":
			r.value = max(r.value, v)
		case r.spec.Over == "lowest":
			r.value = min(r.value, v)
		default: // mean
			r.value += (v - r.value) / float64(r.n)
		}
		switch {
		case r.spec.Over == overEWMA:
		case complete || r.spec.Over == overCounted:
			r.last, r.known = r.value, true
		}
	}
}

// Ways to take a result that only results have, and those that keep the latest value.
const (
	overCounted = "counted"
	overEWMA    = "ewma"
)

var latestOvers = []string{"last", overCounted, overEWMA}

// weigh is the end of a driving cycle for the weighted means over ten of them: 0.1 of
// this cycle's count and 0.9 of the mean before (SAE J1979, test identifier 0B).
func (m *Memory) weigh() {
	for i := range m.results {
		if r := &m.results[i]; r.spec.Over == overEWMA && r.n > 0 {
			r.last, r.known = float64(0.1*r.value)+float64(0.9*r.last), true
		}
	}
}

// forgetSamples begins the tests anew; the last results stay.
func (m *Memory) forgetSamples() {
	for i := range m.results {
		m.results[i].n = 0
	}
}

// hasMID reports whether there is a test of that monitor.
func (m *Memory) hasMID(mid byte) bool {
	for i := range m.results {
		if m.results[i].spec.MID == mid {
			return true
		}
	}
	return false
}

// appendResults appends the tests of a monitor, each after head: test, scaling,
// value, least, most; all zero for one that has not run since the last clear.
func (m *Memory) appendResults(b []byte, mid byte, head ...byte) []byte {
	for i := range m.results {
		r := &m.results[i]
		if r.spec.MID != mid {
			continue
		}
		b = append(append(b, head...), r.spec.TID, r.spec.UAS)
		if !r.known {
			b = append(b, 0, 0, 0, 0, 0, 0)
			continue
		}
		least, most := r.spec.limits()
		b = append16(append16(append16(b, r.spec.raw(r.last)), least), most)
	}
	return b
}

// forgetResults drops the results of a code that is cleared.
func (m *Memory) forgetResults(ref int) {
	if ref >= len(m.rows) {
		return
	}
	for _, k := range m.rows[ref] {
		r := &m.results[k]
		r.n, r.last, r.known = 0, 0, false
	}
}
