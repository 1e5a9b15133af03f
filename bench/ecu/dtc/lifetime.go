package dtc

import (
	"math"
	"time"

	"sawhorse/bench/ecu/spec"
)

// lifetime holds the counters of PIDs 21 30 31 4D 4E and the ignition counter.
type lifetime struct {
	// warmUps stops at 255; kilometres and minutes stop when sent.
	warmUps                  uint8
	clearKm, milKm           float64
	clearMinutes, milMinutes float64
	ignitions, conditions    uint16
	lamp                     bool
	// step is the last stretch of time, which is nearly always the same, in hours and
	// minutes as well.
	step           time.Duration
	hours, minutes float64
}

func (l *lifetime) settle(h *spec.History) {
	l.warmUps, l.clearKm, l.clearMinutes = h.WarmUps, h.Km, h.Minutes
	l.ignitions, l.conditions = h.Ignitions, h.Conditions
}

// clear is service 04: the in-use counters stay.
func (l *lifetime) clear() {
	*l = lifetime{ignitions: l.ignitions, conditions: l.conditions}
}

func (l *lifetime) warm() {
	if l.warmUps < 255 {
		l.warmUps++
	}
}

// count adds a stretch of time. The counters with the lamp on start anew when
// it comes on and keep their value when it goes out (SAE J1979 PIDs 21, 4D).
func (l *lifetime) count(dt time.Duration, kmh float64, running, lamp bool) {
	if lamp && !l.lamp {
		l.milKm, l.milMinutes = 0, 0
	}
	l.lamp = lamp
	// The conversions keep the compiler from fusing multiply and add, which
	// would make the sum depend on the processor.
	if dt != l.step {
		l.step, l.hours, l.minutes = dt, dt.Hours(), dt.Minutes()
	}
	km := float64(kmh * l.hours)
	minutes := 0.0
	if running {
		minutes = l.minutes
	}
	l.clearKm += km
	l.clearMinutes += minutes
	if lamp {
		l.milKm += km
		l.milMinutes += minutes
	}
}

// saturate is a counter that stops at its end (SAE J1979 PIDs 21 31 4D 4E).
func saturate(v float64) uint16 { return uint16(min(v, math.MaxUint16)) }
