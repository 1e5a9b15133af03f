package uds

import "fmt"

// Monitor is a readiness monitor: its place in the data of PIDs 01 and 41 (SAE J1979
// appendix B). A continuous one has both its bits in byte B, the others one in C that
// says whether the unit has it, and one in D that says whether it is not complete.
type Monitor struct {
	Name       string
	Continuous bool
	Bit        byte
}

// MonitorsOf are the monitors of a spark or a compression ignition engine, by byte and
// bit.
func MonitorsOf(compression bool) []Monitor {
	if compression {
		return compressionMonitors[:]
	}
	return sparkMonitors[:]
}

var sparkMonitors = [...]Monitor{
	{Name: "misfire", Continuous: true, Bit: 0},
	{Name: "fuel system", Continuous: true, Bit: 1},
	{Name: "components", Continuous: true, Bit: 2},
	{Name: "catalyst", Bit: 0},
	{Name: "heated catalyst", Bit: 1},
	{Name: "evaporative system", Bit: 2},
	{Name: "secondary air", Bit: 3},
	{Name: "refrigerant", Bit: 4},
	{Name: "oxygen sensor", Bit: 5},
	{Name: "oxygen sensor heater", Bit: 6},
	{Name: "exhaust gas recirculation", Bit: 7},
}

var compressionMonitors = [...]Monitor{
	{Name: "misfire", Continuous: true, Bit: 0},
	{Name: "fuel system", Continuous: true, Bit: 1},
	{Name: "components", Continuous: true, Bit: 2},
	{Name: "hydrocarbon catalyst", Bit: 0},
	{Name: "NOx aftertreatment", Bit: 1},
	{Name: "boost pressure", Bit: 3},
	{Name: "exhaust gas sensor", Bit: 5},
	{Name: "particle filter", Bit: 6},
	{Name: "exhaust gas recirculation", Bit: 7},
}

// LampOn is the bit of byte A that says that the lamp is commanded on; the others there
// count the codes.
const LampOn = 0x80

// Compression reports whether the data of PID 01 or 41 is of a compression ignition
// engine (bit 3 of byte B).
func Compression(data []byte) bool { return data[1]&0x08 != 0 }

// In says what the four bytes of PID 01 or 41 tell of the monitor: whether it is there
// (01) or enabled (41), and whether it is complete.
func (m *Monitor) In(data []byte) (there, complete bool) {
	if m.Continuous {
		return data[1]>>m.Bit&1 != 0, data[1]>>(m.Bit+4)&1 == 0
	}
	return data[2]>>m.Bit&1 != 0, data[3]>>m.Bit&1 == 0
}

// TestedMonitor names a monitor of service 06 on CAN (SAE J1979 appendix D; from memory).
func TestedMonitor(mid byte) string {
	switch {
	case mid >= 0xA2 && mid <= 0xAD:
		return fmt.Sprintf("misfire cylinder %d", mid-0xA1)
	case int(mid) < len(tested) && tested[mid] != "":
		return tested[mid]
	}
	return fmt.Sprintf("monitor %02X", mid)
}

var tested = func() (t [0xA2]string) {
	for i := range 16 { // four banks of four
		t[0x01+i] = fmt.Sprintf("oxygen sensor bank %d sensor %d", i/4+1, i%4+1)
		t[0x41+i] = fmt.Sprintf("oxygen sensor heater bank %d sensor %d", i/4+1, i%4+1)
	}
	for i := range 4 {
		t[0x21+i] = fmt.Sprintf("catalyst bank %d", i+1)
		t[0x31+i] = fmt.Sprintf("exhaust gas recirculation bank %d", i+1)
		t[0x35+i] = fmt.Sprintf("valve timing bank %d", i+1)
		t[0x61+i] = fmt.Sprintf("heated catalyst bank %d", i+1)
		t[0x71+i] = fmt.Sprintf("secondary air %d", i+1)
		t[0x81+i] = fmt.Sprintf("fuel system bank %d", i+1)
	}
	t[0x39] = "evaporative system cap off"
	t[0x3A] = "evaporative system 0.090 in"
	t[0x3B] = "evaporative system 0.040 in"
	t[0x3C] = "evaporative system 0.020 in"
	t[0x3D] = "purge flow"
	t[0xA1] = "misfire"
	return t
}()
