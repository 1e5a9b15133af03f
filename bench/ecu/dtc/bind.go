package dtc

import "sawhorse/bench/ecu/spec"

// Bind binds what the memory takes from readings: the enable conditions of monitors, the
// tests of service 06, and its snapshots, of which capture appends one of so many bytes; 0
// takes none.
func (m *Memory) Bind(b *spec.Binder, u *spec.Unit, bytes int, capture func(b []byte) []byte) {
	m.bindGates(b, u.Memory.Enable)
	if u.OBD != nil {
		m.bindResults(b, u.OBD.Results)
	}
	if bytes == 0 {
		return
	}
	for i := range m.recs {
		m.recs[i].first = make([]byte, 0, bytes)
		m.recs[i].latest = make([]byte, 0, bytes)
	}
	m.frame.data = make([]byte, 0, bytes)
	m.capture = capture
}
