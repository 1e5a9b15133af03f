package spec

import "time"

// MaxMessage is the longest answer: the 12-bit length of ISO 15765-2.
const MaxMessage = 4095

// MinPeriod keeps the fastest rate of periodic answers from filling the bus.
const MinPeriod = 10 * time.Millisecond

// maxRegion bounds a region; the bytes of all are held in memory.
const maxRegion = 1 << 20

// ChecksumBytes end a programmable region.
const ChecksumBytes = 4

// OwnReasons is where the reasons begin that a server gives itself when a routine ends;
// those of a description are below.
const OwnReasons = 0xF0

// What routines do themselves.
const (
	DoesErase  = "erase"
	DoesVerify = "verify"
)

// Monitor is the place of a readiness monitor in PIDs 01 and 41 (SAE J1979, spark
// ignition): continuous ones in byte B, the others in C and D.
type Monitor struct {
	Name       string
	Continuous bool
	Bit        byte
}

// Monitors are the readiness monitors there are.
var Monitors = []Monitor{
	{Name: "misfire", Continuous: true, Bit: 0},
	{Name: "fuel", Continuous: true, Bit: 1},
	{Name: "components", Continuous: true, Bit: 2},
	{Name: "catalyst", Bit: 0},
	{Name: "heated_catalyst", Bit: 1},
	{Name: "evap", Bit: 2},
	{Name: "secondary_air", Bit: 3},
	{Name: "conditioner", Bit: 4},
	{Name: "oxygen", Bit: 5},
	{Name: "oxygen_heater", Bit: 6},
	{Name: "egr", Bit: 7},
}

// FindMonitor finds a readiness monitor by its name.
func FindMonitor(name string) (Monitor, bool) {
	for _, m := range Monitors {
		if m.Name == name {
			return m, true
		}
	}
	return Monitor{}, false
}

// Ratios are the in-use counters of infotype 08 in their order: each a completion and a
// condition counter after OBDCOND and IGNCNTR.
var Ratios = []string{"catalyst_1", "catalyst_2", "oxygen_1", "oxygen_2", "egr", "secondary_air", "evap"}
