package dtc

import (
	"testing"
	"time"

	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
)

// fuelLife is a memory that judges fuel system codes in similar conditions.
func fuelLife(t testing.TB) *life {
	s := tinySpec(t, "  similar: {rpm: engine_rpm, load: load_pct}\n")
	return &life{t: t, m: New(s)}
}

// driveAt is a driving cycle at one speed and load, with a result of P0171.
func (l *life) driveAt(rpm, load, coolant float64, failed bool) {
	l.m.BeginCycle()
	v := Vehicle{Running: true, RPM: rpm, LoadPct: load, CoolantC: coolant}
	l.now += 5 * time.Millisecond
	l.m.Observe(l.now, v)
	l.test("P0171", failed)
	l.m.Observe(l.now, v)
	l.m.EndCycle()
}

// 13 CCR 1968.2 (e)(6.4): a pending fuel system code is erased only by a clean cycle
// in similar conditions (375 rev/min, 20 % load, same warm-up state: from memory).
func TestAPendingFuelCodeWaitsForSimilarConditions(t *testing.T) {
	for _, c := range []struct {
		name               string
		rpm, load, coolant float64
		gone               bool
	}{
		{"the same", 2000, 40, 90, true},
		{"375 rev/min more", 2375, 40, 90, true},
		{"376 rev/min more", 2376, 40, 90, false},
		{"20 % less load", 2000, 20, 90, true},
		{"21 % more load", 2000, 61, 90, false},
		{"cold", 2000, 40, 40, false},
	} {
		l := fuelLife(t)
		l.driveAt(2000, 40, 90, true)
		assert.Equal(t, []uds.DTC{0x0171}, l.m.Pending(nil))
		l.driveAt(c.rpm, c.load, c.coolant, false)
		assert.Equal(t, c.gone, len(l.m.Pending(nil)) == 0, c.name)
	}
}

// After eighty driving cycles without similar conditions it is erased all the same
// (13 CCR 1968.2 (e)(6.4.3)).
func TestEightyCyclesWithoutSimilarConditions(t *testing.T) {
	l := fuelLife(t)
	l.driveAt(2000, 40, 90, true)
	for i := range 79 {
		l.driveAt(4000, 80, 90, false)
		assert.NotEmpty(t, l.m.Pending(nil), "after %d cycles", i+1)
	}
	l.driveAt(4000, 80, 90, false)
	assert.Empty(t, l.m.Pending(nil))
	assert.Zero(t, l.m.FrameCode(), "the freeze frame goes with it")
}

// The lamp goes out after three clean cycles in similar conditions; others between
// them neither count nor disturb.
func TestTheLampOfAFuelCodeWaitsForSimilarConditions(t *testing.T) {
	l := fuelLife(t)
	l.driveAt(2000, 40, 90, true)
	l.driveAt(5000, 90, 90, true) // fails in the next cycle, in any conditions
	assert.True(t, l.m.MIL())
	for range 5 {
		l.driveAt(2000, 40, 90, false)
	}
	assert.True(t, l.m.MIL(), "the conditions are those of the latest failure")
	for i := range 3 {
		assert.True(t, l.m.MIL(), "after %d", i)
		l.driveAt(5000, 90, 90, false)
		l.driveAt(1000, 10, 90, false)
	}
	assert.False(t, l.m.MIL())
}

// Forty warm-ups with the lamp out erase a confirmed code (common practice), counted
// in readings of the car, which take no time here.
func TestFortyWarmUpsByReadings(t *testing.T) {
	l := fuelLife(t)
	l.driveAt(2000, 40, 90, true)
	l.driveAt(2000, 40, 90, true)
	for range 3 {
		l.driveAt(2000, 40, 90, false)
	}
	assert.False(t, l.m.MIL())
	warmUp := func() {
		l.m.BeginCycle()
		for _, c := range []float64{20, 60, 92} {
			l.now += 5 * time.Millisecond
			l.m.Observe(l.now, Vehicle{Running: true, RPM: 2000, LoadPct: 40, CoolantC: c})
		}
		l.test("P0171", false)
		l.m.EndCycle()
	}
	for i := range 39 {
		warmUp()
		assert.NotEmpty(t, l.m.Confirmed(nil), "after %d", i+1)
	}
	warmUp()
	assert.Empty(t, l.m.Confirmed(nil))
}
