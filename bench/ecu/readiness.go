package ecu

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

// monitor is one supported readiness monitor and its codes.
type monitor struct {
	name       string
	continuous bool
	mask       byte
	codes      []int
}

// supervise collects the codes of the supported monitors.
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
}

// Ready reports whether a supported readiness monitor is complete since the
// last clear; ok is false for one the unit does not have.
func (m *Memory) Ready(name string) (complete, ok bool) {
	for i := range m.groups {
		if g := &m.groups[i]; g.name == name {
			return g.continuous || m.ready(g.codes, notCompletedSinceClear), true
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
		if bit == notCompletedSinceClear && m.recs[i].status&confirmedDTC != 0 {
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
			if !m.ready(g.codes, bit) {
				open |= g.mask
			}
		}
	}
	return append(b, continuous, supported, open)
}
