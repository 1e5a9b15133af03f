package ecu

import "slices"

// monitorBits are the places of the readiness monitors in PIDs 01 and 41 (SAE
// J1979, spark ignition): continuous ones in byte B, the others in C and D.
var monitorBits = map[string]struct {
	continuous bool
	bit        byte
}{
	"misfire":         {true, 0},
	"fuel":            {true, 1},
	"components":      {true, 2},
	"catalyst":        {false, 0},
	"heated_catalyst": {false, 1},
	"evap":            {false, 2},
	"secondary_air":   {false, 3},
	"conditioner":     {false, 4},
	"oxygen":          {false, 5},
	"oxygen_heater":   {false, 6},
	"egr":             {false, 7},
}

// ratioNames are the in-use counters of infotype 08 in their order: each a
// completion and a condition counter after OBDCOND and IGNCNTR.
var ratioNames = []string{"catalyst_1", "catalyst_2", "oxygen_1", "oxygen_2", "egr", "secondary_air", "evap"}

// monitor is one supported readiness monitor and its codes.
type monitor struct {
	name       string
	continuous bool
	mask       byte
	codes      []int
}

type ratioCounter struct {
	codes                 []int
	completed, conditions uint16
}

// supervise collects the codes of the supported monitors and in-use counters.
func (m *Memory) supervise(names []string) {
	for _, name := range names {
		b := monitorBits[name]
		g := monitor{name: name, continuous: b.continuous, mask: 1 << b.bit}
		for i := range m.codes {
			if m.codes[i].Monitor == name {
				g.codes = append(g.codes, i)
			}
		}
		m.groups = append(m.groups, g)
	}
	m.ratios = make([]ratioCounter, len(ratioNames))
	for i := range m.codes {
		if k := slices.Index(ratioNames, m.codes[i].Ratio); k >= 0 {
			m.ratios[k].codes = append(m.ratios[k].codes, i)
		}
	}
}

// Ready reports whether a supported readiness monitor is complete since the
// last clear; ok is false for one the unit does not have.
func (m *Memory) Ready(name string) (complete, ok bool) {
	for i := range m.groups {
		if g := &m.groups[i]; g.name == name {
			return g.continuous || m.completed(g.codes, notCompletedSinceClear), true
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

// appendStatus is PID 01: lamp and number of confirmed emission codes, then
// the monitors since clear. Continuous monitors read complete from the start,
// as on most spark-ignition engines.
func (m *Memory) appendStatus(b []byte) []byte {
	n := byte(0)
	for i := range m.recs {
		if m.codes[i].Emission && m.recs[i].status&confirmedDTC != 0 && n < 127 {
			n++
		}
	}
	if m.MIL() {
		n |= 0x80
	}
	return m.appendMonitors(append(b, n), notCompletedSinceClear)
}

// appendCycleStatus is PID 41: the monitors in this cycle.
func (m *Memory) appendCycleStatus(b []byte) []byte {
	return m.appendMonitors(append(b, 0), notCompletedThisCycle)
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
			if !m.completed(g.codes, bit) {
				open |= g.mask
			}
		}
	}
	return append(b, continuous, supported, open)
}

// countRatios is the end of a driving cycle for the in-use counters: a monitor
// that completed counts once, the general conditions count once.
func (m *Memory) countRatios() {
	if !m.cycle.driven {
		return
	}
	general := m.cycle.general()
	if general {
		bump(&m.life.conditions)
	}
	for i := range m.ratios {
		r := &m.ratios[i]
		if len(r.codes) == 0 {
			continue
		}
		if general {
			bump(&r.conditions)
		}
		if m.completed(r.codes, notCompletedThisCycle) {
			bump(&r.completed)
		}
	}
}

func bump(n *uint16) {
	if *n < 65535 {
		*n++
	}
}

// appendInUse is infotype 08: sixteen counters.
func (m *Memory) appendInUse(b []byte) []byte {
	b = append16(append16(b, m.life.conditions), m.life.ignitions)
	for i := range m.ratios {
		b = append16(append16(b, m.ratios[i].completed), m.ratios[i].conditions)
	}
	return b
}
