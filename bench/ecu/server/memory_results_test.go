package server

import (
	"fmt"
	"testing"
	"time"

	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
)

// Rows of service 06 (SAE J1979): monitor, test, scaling, value, least, most; all
// zero until the test has run since the last clear.
func TestMonitorResults(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Equal(t, "46 00 CC 00 00 01", r.call("06 00"), "01 02 05 06 and higher ranges")
	assert.Equal(t, "46 21 80 2F 00 00 00 00 00 00", r.call("06 21"))
	r.plant.WarmIdle()
	r.wait(12 * time.Second)
	r.plant.Set("catalyst_swing_1_pct", 12.5)
	r.pass("P0420")
	// 12.5 % in 0.01 % is 04E2; at most 22 % is 0DAC (SAE J1979 scaling 2F).
	assert.Equal(t, "46 21 80 2F 04 E2 00 00 08 98", r.call("06 21"))
	assert.Equal(t, "62 F6 21 80 2F 04 E2 00 00 08 98", r.ask("22 F6 21"), "its form in UDS")
	r.plant.Set("catalyst_swing_1_pct", 60)
	assert.Equal(t, "46 21 80 2F 04 E2 00 00 08 98", r.call("06 21"), "the last result is kept")
	r.fail("P0420")
	assert.Equal(t, "46 21 80 2F 17 70 00 00 08 98", r.call("06 21"), "beyond the limit, with its code")
	r.mem.EndCycle()
	r.mem.BeginCycle()
	assert.Equal(t, "46 21 80 2F 17 70 00 00 08 98", r.call("06 21"), "over the key cycle")
	r.mem.Clear(uds.EmissionGroup)
	assert.Equal(t, "46 21 80 2F 00 00 00 00 00 00", r.call("06 21"))
	assert.Empty(t, r.call("06 99"), "not there: no answer")
	assert.Empty(t, r.call("06 21 22"), "one monitor a request")
	assert.Empty(t, r.call("06 20 21"), "not mixed")
}

func TestSignedResults(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.plant.WarmIdle()
	r.wait(time.Second)
	r.plant.Set("trim_short_1_pct", -3)
	r.plant.Set("trim_long_1_pct", -9.5)
	r.pass("P0171")
	r.pass("P0172")
	// -12.5 in 0.01 is FB1E, 25 is 09C4, -25 is F63C; open ends are the range's.
	assert.Equal(t, "46 81 80 83 FB 1E 80 00 09 C4 81 81 83 FB 1E F6 3C 7F FF", r.call("06 81"))
}

// Extremes are those of the cycle's samples.
func TestResultsOverTheCycle(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.plant.WarmIdle()
	r.wait(12 * time.Second)
	for _, v := range []float64{0.8, 0.1, 0.5} {
		r.plant.Set("o2_b1s1_v", v)
		r.pass("P0134")
	}
	// 0.1 V and 0.8 V in 0.001 V (scaling 0B); limits 0.4 V and 0.5 V.
	got, want := r.call("06 01"), "46 01 07 0B 00 64 00 00 01 90 01 08 0B 03 20 01 F4 FF FF"
	assert.Equal(t, want, got[:len(want)])
	assert.Contains(t, got, " 01 01 0A 00 00 00 00 00 00", "the threshold is told once its monitor has run")
	r.plant.Set("o2_rich_lean_1_s", 0.072)
	r.pass("P0133")
	got = r.call("06 01")
	// 0.3 V is 2459 or 099B in 0.122 mV, with both limits; 72 ms is 0048 (SAE J1979).
	assert.Contains(t, got, " 01 01 0A 09 9B 09 9B 09 9B")
	assert.Contains(t, got, " 01 05 10 00 48 00 00 FF FF")
}

// Misfire by cylinder (SAE J1979): test 0C the count of this drive, 0B a mean over the
// last ten drives, 0.1 of the last count and 0.9 of the mean before: after 100, 100
// and 0 misfires 10, 19 and 17.1, of which the whole counts are told.
func TestMisfireCounts(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Equal(t, "46 A0 FF 80 00 00", r.call("06 A0"), "A1 general, A2 to A9 the eight cylinders")
	assert.Equal(t, "46 A3 0B 24 00 00 00 00 00 00 A3 0C 24 00 00 00 00 00 00", r.call("06 A3"))
	for _, c := range []struct {
		count float64
		mean  string
	}{{100, "00 0A"}, {100, "00 13"}, {0, "00 11"}} {
		r.mem.EndCycle()
		r.mem.BeginCycle()
		r.plant.WarmIdle()
		r.wait(time.Second)
		r.mem.Started()
		r.plant.Set("misfires_2", c.count)
		i, _ := r.mem.Ref("P0302")
		r.mem.Test(i, r.now, false)
		assert.Contains(t, r.call("06 A3"), fmt.Sprintf(" A3 0C 24 %02X %02X 00 00 FF FF", int(c.count)>>8, int(c.count)), "told while the drive goes on")
		r.mem.EndCycle()
		assert.Contains(t, r.call("06 A3"), "46 A3 0B 24 "+c.mean+" 00 00 FF FF")
	}
	r.mem.Clear(uds.EmissionGroup)
	assert.Equal(t, "46 A3 0B 24 00 00 00 00 00 00 A3 0C 24 00 00 00 00 00 00", r.call("06 A3"))
}

// A monitor completes only where its enable conditions were met: cold, open loop or
// engine off, no sample counts, neither good nor bad.
func TestMonitorsRunUnderTheirConditionsOnly(t *testing.T) {
	for _, c := range []struct {
		name, signal string
		value        float64
		runs         bool
	}{
		{"all met", "coolant_c", 92, true},
		{"cold", "coolant_c", 60, false},
		{"open loop in bank 2", "fuel_system_2", 1, false},
		{"engine off", "engine_running", 0, false},
	} {
		r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
		r.mem.Clear(uds.EmissionGroup)
		r.plant.WarmIdle()
		r.plant.Set(c.signal, c.value)
		r.wait(time.Second)
		r.pass("P0420")
		r.fail("P0430")
		complete, _ := r.mem.Ready("catalyst")
		assert.Equal(t, c.runs, complete, c.name)
		i, _ := r.mem.Ref("P0430")
		assert.Equal(t, c.runs, r.mem.Status(i)&uds.TestFailed != 0, c.name)
	}
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.plant.WarmIdle()
	i, _ := r.mem.Ref("P0131")
	passFor := func(d time.Duration) {
		for end := r.now + d; r.now < end; {
			r.mem.Test(i, r.now, false)
			r.wait(10 * time.Millisecond)
		}
	}
	completed := func() bool { return r.mem.Status(i)&uds.TestNotCompletedThisOperationCycle == 0 }
	passFor(9 * time.Second)
	assert.False(t, completed(), "the oxygen monitor wants ten seconds")
	r.wait(2 * time.Second)
	passFor(6 * time.Second)
	assert.True(t, completed())
}
