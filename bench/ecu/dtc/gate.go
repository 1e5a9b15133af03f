package dtc

import (
	"fmt"
	"time"

	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
)

// gate lets the samples of one readiness monitor count, or not. It is open until
// it is bound to readings.
type gate struct {
	name   string
	when   []spec.Bound
	hold   time.Duration
	since  time.Duration
	held   bool
	closed bool
}

// bindGates binds the enable conditions to the unit's readings.
func (m *Memory) bindGates(b *spec.Binder, specs []spec.Enable) {
	m.gates, m.readings = make([]gate, len(specs)), b.Readings()
	for i := range m.limits {
		m.limits[i].gate = nil
	}
	for k := range specs {
		e := &specs[k]
		m.gates[k] = gate{name: e.Monitor, hold: e.For.Duration(), closed: true,
			when: b.Conditions(fmt.Sprintf("$.memory.enable[%d].when", k), e.When)}
		for i := range m.codes {
			if m.codes[i].Monitor == e.Monitor {
				m.limits[i].gate = &m.gates[k]
			}
		}
	}
}

// Enable opens and closes the gates of the monitors by the readings of this moment.
func (m *Memory) Enable(now time.Duration) {
	for i := range m.gates {
		m.gates[i].see(now, m.readings)
	}
}

func (g *gate) see(now time.Duration, t *signal.Table) {
	holds := spec.Unmet(g.when, t) == nil
	if holds && !g.held {
		g.since = now
	}
	g.held = holds
	g.closed = !holds || now-g.since < g.hold
}

// gated reports whether the enable conditions of a code's monitor do not hold.
func (l *limits) gated() bool { return l.gate != nil && l.gate.closed }
