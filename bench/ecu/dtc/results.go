package dtc

import (
	"fmt"
	"math"

	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
	"sawhorse/canbus/uds"
)

// scalingOf is a unit and scaling for readings, whose times are in seconds.
func scalingOf(uas uint8) uds.Scaling {
	k, _ := uds.ScalingOf(uas)
	if k.Unit == "ms" {
		k.Scale /= 1000
	}
	return k
}

// raw is a value in the two bytes of its scaling, stopped at their ends.
func raw(s *spec.Result, v float64) uint16 {
	k := scalingOf(s.UAS)
	n := math.Round((v - k.Offset) / k.Scale)
	if k.Signed {
		return uint16(int16(min(max(n, math.MinInt16), math.MaxInt16)))
	}
	return uint16(min(max(n, 0), math.MaxUint16))
}

// limitsOf are the least and the most in two bytes; an open end is the range's.
func limitsOf(s *spec.Result) (least, most uint16) {
	if s.Const != nil {
		return raw(s, *s.Const), raw(s, *s.Const)
	}
	least, most = 0, math.MaxUint16
	if s.UAS&0x80 != 0 {
		least, most = 0x8000, 0x7FFF
	}
	if s.AtLeast != nil {
		least = raw(s, *s.AtLeast)
	}
	if s.AtMost != nil {
		most = raw(s, *s.AtMost)
	}
	return least, most
}

// result is one bound test: the samples of this cycle, and the last result since
// the last clear, which is kept over power.
type result struct {
	over  over
	spec  *spec.Result
	refs  []signal.Ref
	n     int
	value float64
	last  float64
	known bool
}

// over is what a test keeps of its samples: the words of spec, which are looked at in
// every step.
type over uint8

const (
	overMean over = iota
	overHighest
	overLowest
	// From here on the latest value is kept.
	overLast
	overCounted
	overEWMA
)

var overs = map[string]over{
	spec.OverMean: overMean, spec.OverHighest: overHighest, spec.OverLowest: overLowest,
	spec.OverLast: overLast, spec.OverCounted: overCounted, spec.OverEWMA: overEWMA,
}

// bindResults binds the tests of service 06 to readings and codes.
func (m *Memory) bindResults(b *spec.Binder, specs []spec.Result) {
	m.results, m.readings = nil, b.Readings()
	m.rows = make([][]int, len(m.codes))
	for i := range m.limits {
		m.limits[i].measured = false
	}
	for i := range specs {
		s := &specs[i]
		p := fmt.Sprintf("$.obd.results[%d]", i)
		r := result{spec: s, over: overs[s.Over]}
		if s.Const == nil {
			r.refs = append(r.refs, b.Ref(p+".signal", s.Signal))
		}
		if s.And != "" {
			r.refs = append(r.refs, b.Ref(p+".and", s.And))
		}
		if k, ok := m.byName[s.Code]; ok {
			m.rows[k] = append(m.rows[k], len(m.results))
			m.limits[k].measured = true
		}
		m.results = append(m.results, r)
	}
}

// measure takes one sample of the tests that belong to a code; with the code's
// result the measured value becomes the last one.
func (m *Memory) measure(ref int, complete bool) {
	if !m.limits[ref].measured {
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
		case r.n == 1, r.over >= overLast:
			r.value = v
		case r.over == overHighest:
			r.value = max(r.value, v)
		case r.over == overLowest:
			r.value = min(r.value, v)
		default:
			r.value += (v - r.value) / float64(r.n)
		}
		if r.over != overEWMA && (complete || r.over == overCounted) {
			r.last, r.known = r.value, true
		}
	}
}

// weigh is the end of a driving cycle for the weighted means over ten of them: 0.1 of
// this cycle's count and 0.9 of the mean before (SAE J1979, test identifier 0B).
func (m *Memory) weigh() {
	for i := range m.results {
		if r := &m.results[i]; r.over == overEWMA && r.n > 0 {
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

// HasMonitor reports whether there is a test of that monitor.
func (m *Memory) HasMonitor(mid byte) bool {
	for i := range m.results {
		if m.results[i].spec.MID == mid {
			return true
		}
	}
	return false
}

// AppendResults appends the tests of a monitor, each after head: test, scaling,
// value, least, most; all zero for one that has not run since the last clear.
func (m *Memory) AppendResults(b []byte, mid byte, head ...byte) []byte {
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
		least, most := limitsOf(r.spec)
		b = append16(append16(append16(b, raw(r.spec, r.last)), least), most)
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

// HasResults reports whether there are tests of service 06 at all.
func (m *Memory) HasResults() bool { return len(m.results) > 0 }
