package dtc

import (
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// monitor is one supported readiness monitor and its codes.
type monitor struct {
	name string
	// group is its identifier in 19 56: its place in PID 01, bytes B and C counted on,
	// from 01 (chosen; the published list is not at hand).
	group      byte
	continuous bool
	mask       byte
	codes      []int
}

// supervise collects the codes of the supported monitors.
func (m *Memory) supervise(names []string) {
	for _, name := range names {
		k, _ := spec.FindMonitor(name)
		g := monitor{name: name, group: 4 + k.Bit, continuous: k.Continuous, mask: 1 << k.Bit}
		if k.Continuous {
			g.group = 1 + k.Bit
		}
		for i := range m.codes {
			if m.codes[i].Monitor == name {
				g.codes = append(g.codes, i)
			}
		}
		m.groups = append(m.groups, g)
	}
}

// Ready reports whether a supported readiness monitor is complete since the
// last clear; ok is false for one the unit does not have.
func (m *Memory) Ready(name string) (complete, ok bool) {
	for i := range m.groups {
		if g := &m.groups[i]; g.name == name {
			return g.continuous || m.ready(g.codes, uds.TestNotCompletedSinceLastClear), true
		}
	}
	return false, false
}

// completed reports whether no code of the list has the bit set.
func (m *Memory) completed(codes []int, bit byte) bool {
	for _, i := range codes {
		if m.recs[i].status&bit != 0 {
			return false
		}
	}
	return true
}

// ready reports whether a monitor shows as complete: all its tests have, or, since the
// last clear, one of them has found its fault often enough to confirm it. A large
// leak, for one, keeps the small ones from ever being looked for (13 CCR 1968.2
// (g)(4.1), from memory).
func (m *Memory) ready(codes []int, bit byte) bool {
	if m.completed(codes, bit) {
		return true
	}
	for _, i := range codes {
		if bit == uds.TestNotCompletedSinceLastClear && m.recs[i].status&uds.ConfirmedDTC != 0 {
			return true
		}
	}
	return false
}

// appendStatus is PID 01: lamp and number of confirmed emission codes, then
// the monitors since clear. Continuous monitors read complete from the start,
// as on most spark-ignition engines.
func (m *Memory) appendStatus(b []byte) []byte {
	n := byte(0)
	for i := range m.recs {
		if m.codes[i].Emission && m.recs[i].status&uds.ConfirmedDTC != 0 && n < 127 {
			n++
		}
	}
	if m.MIL() {
		n |= 0x80
	}
	return m.appendMonitors(append(b, n), uds.TestNotCompletedSinceLastClear)
}

// appendCycleStatus is PID 41: the monitors in this cycle.
func (m *Memory) appendCycleStatus(b []byte) []byte {
	return m.appendMonitors(append(b, 0), uds.TestNotCompletedThisOperationCycle)
}

func (m *Memory) appendMonitors(b []byte, bit byte) []byte {
	var continuous, supported, open byte
	for i := range m.groups {
		g := &m.groups[i]
		switch {
		case g.continuous:
			continuous |= g.mask
		default:
			supported |= g.mask
			if !m.ready(g.codes, bit) {
				open |= g.mask
			}
		}
	}
	return append(b, continuous, supported, open)
}

// Group is the name of the supported readiness monitor with that identifier in service
// 19 56.
func (m *Memory) Group(id byte) (name string, ok bool) {
	for i := range m.groups {
		if m.groups[i].group == id {
			return m.groups[i].name, true
		}
	}
	return "", false
}
