package app_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
)

func (r *rig) wear(name string, v float64) *car.Part {
	r.t.Helper()
	p, ok := r.car.Part(name)
	require.True(r.t, ok, name)
	p.Set(v)
	return p
}

// After the fuel cut of the crank variation learn, and after any blip, the engine is
// caught at its idle: it must not dip towards a stall, whatever the seed and whether the
// pedal is let go at once (common practice: a sound engine never does).
func TestTheEngineIsCaughtAfterACutAndABlip(t *testing.T) {
	for seed := range chance.Seed(8) {
		for _, learn := range []bool{true, false} {
			r := newRig(t, seed)
			_, ok := r.start(3 * time.Second)
			require.True(t, ok)
			r.drive("clutch", "0")
			r.run(time.Duration(4+seed) * time.Second)
			if learn {
				r.engine.Routine("crank-variation-learn", "open")
			}
			r.drive("accelerator", "60")
			r.run(1500 * time.Millisecond)
			if learn {
				r.engine.Routine("crank-variation-learn", "release")
			}
			r.drive("accelerator", "0")
			low := 1e9
			r.run(8*time.Second, func() { low = min(low, r.truth("engine_rpm")) })
			assert.Greater(t, low, 430.0, "seed %d, learn %v", seed, learn)
			mean, _, _, _ := r.spread("engine_rpm", 5*time.Second)
			assert.InDelta(t, 600, mean, 50, "seed %d, learn %v", seed, learn)
		}
	}
}

// A worn clutch slips under load; the program sees engine speed leave road speed's
// ratio (2.97 x 3.42 over a rolling radius of 0.33 m: 81.6 rev/min per km/h in first).
func TestASoundClutchDoesNotSlip(t *testing.T) {
	r := newRig(t, 3)
	_, ok := r.start(3 * time.Second)
	require.True(t, ok)
	r.run(5 * time.Second)
	driveOff(r)
	r.run(2 * time.Second)
	assert.InDelta(t, 81.6, r.reading("engine_rpm")/r.reading("vehicle_kmh"), 1)
	assert.InDelta(t, 0, r.truth("clutch_slip_rpm"), 5)
	assert.Empty(t, r.codes.stored)
}

// A cylinder that does not burn costs an eighth of the work; at idle the crank loses some
// ten per cent of its speed over its quarter turn: 113 J of 490 J of kinetic energy
// (0.25 kg m2 at 62.8 rad/s). The program names it by crank and cam.
func TestMisfireIsFoundByCrankSpeed(t *testing.T) {
	for _, k := range []string{"1", "4", "7"} {
		r := newRig(t, 4)
		_, ok := r.start(3 * time.Second)
		require.True(t, ok)
		r.run(10 * time.Second)
		r.wear("spark-plug-"+k, 0)
		_, _, low, high := r.spread("engine_rpm", 25*time.Second)
		assert.Greater(t, high-low, 60.0)
		assert.Equal(t, []string{"P030" + k}, r.codes.stored)
	}
}

// A leak of 1 mm diameter is what the monitor of SAE J1979 tank tests must find (13 CCR
// 1968.2 (e)(4): 0.040 inch); a tight tank passes.
func TestTheLeakTestFindsAMillimetre(t *testing.T) {
	rise := func(mm float64) (float64, []string) {
		r := newRig(t, 5)
		r.wear("tank-leak", mm)
		_, ok := r.start(3 * time.Second)
		require.True(t, ok)
		r.drive("clutch", "0")
		r.run(75 * time.Second)
		return r.reading("tank_rise_kpa"), r.codes.stored
	}
	tight, none := rise(0)
	leak, small := rise(1.016)
	assert.Empty(t, none)
	assert.Equal(t, []string{"P0442"}, small)
	assert.Less(t, tight, 0.1)
	assert.Greater(t, leak, 0.25)
	_, large := rise(25)
	assert.Equal(t, []string{"P0455"}, large)
}

// Drivers tell open, low and high apart (engineering practice), each with its code of
// SAE J2012.
func TestDriverDiagnosis(t *testing.T) {
	for _, c := range []struct {
		circuit string
		state   car.WireState
		code    string
	}{
		{"fuel-pump-relay", car.Open, "P0627"},
		{"fuel-pump-relay", car.ShortToGround, "P0628"},
		{"fuel-pump-relay", car.ShortToBattery, "P0629"},
		{"fan-relay", car.Open, "P0480"},
		{"fan-relay", car.ShortToGround, "P0691"},
		{"starter-relay", car.ShortToGround, "P0616"},
		{"injector-3", car.Open, "P0203"},
		{"coil-8", car.ShortToGround, "P0358"},
		{"lambda-heater-b2s2", car.Open, "P0161"},
		{"throttle-motor", car.Open, "P2100"},
		{"alternator-field", car.Open, "P0622"},
		{"purge-valve", car.ShortToGround, "P0445"},
	} {
		r := newRig(t, 6)
		r.wire(c.circuit, car.Wiring{State: c.state})
		r.drive("key", "on")
		r.run(6 * time.Second)
		assert.Contains(t, r.codes.stored, c.code, "%s %v", c.circuit, c.state)
		assert.LessOrEqual(t, len(r.codes.stored), 2, "%s %v: %v", c.circuit, c.state, r.codes.stored)
	}
}

// Whoever carries the periodic messages tells the program who is missing and whose data
// are wrong; the codes are those of SAE J2012. What was heard has a substitute then. A
// controller that is off the bus is the reason for the others' silence: it alone is told.
func TestTheNetworkTellsWhoIsLost(t *testing.T) {
	for _, c := range []struct {
		flags []string
		codes []string
		lost  float64
	}{
		{nil, nil, 0},
		{[]string{"brake_lost"}, []string{"U0121"}, 1},
		{[]string{"brake_lost", "brake_wrong"}, []string{"U0121"}, 1},
		{[]string{"brake_wrong"}, []string{"U0415"}, 0},
		{[]string{"body_lost", "brake_lost"}, []string{"U0121", "U0140"}, 1},
		{[]string{"body_wrong"}, []string{"U0422"}, 0},
		{[]string{"bus_off", "body_lost", "brake_lost"}, []string{"U0073"}, 1},
	} {
		r := newRig(t, 7)
		heard := r.engine.Heard()
		r.drive("key", "on")
		r.run(4 * time.Second)
		assert.Zero(t, r.reading("lost_brake"))
		carry := r.line
		r.line = func() {
			carry()
			for _, name := range c.flags {
				ref, ok := heard.Lookup(name)
				require.True(t, ok, name)
				heard.SetBool(ref, true)
			}
			if c.lost == 1 {
				ref, _ := heard.Lookup("vehicle_kmh")
				heard.Set(ref, 77)
				heard.Trust(ref, false)
			}
		}
		r.run(2 * time.Second)
		assert.Equal(t, c.lost, r.reading("lost_brake"), "%v", c.flags)
		assert.ElementsMatch(t, c.codes, r.codes.stored, "%v", c.flags)
		assert.Zero(t, r.reading("vehicle_kmh"), "%v: the substitute", c.flags)
	}
}

// Nobody is missed right after key on, nor while the supply is too low to judge.
func TestWhoIsLostIsJudgedUnderConditions(t *testing.T) {
	r := newRig(t, 8)
	heard := r.engine.Heard()
	lost, _ := heard.Lookup("brake_lost")
	r.line = func() { heard.SetBool(lost, true) }
	r.drive("key", "on")
	r.run(1400 * time.Millisecond)
	assert.Zero(t, r.reading("lost_brake"))
	assert.Empty(t, r.codes.stored)
	r.run(time.Second)
	assert.EqualValues(t, 1, r.reading("lost_brake"))
	assert.Contains(t, r.codes.stored, "U0121")
}
