package app_test

import (
	"io/fs"
	"math"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/app"
)

// auklet is the car with an automatic gearbox, running and warm, in P.
func auklet(t testing.TB, seed chance.Seed) *rig {
	t.Helper()
	r := newRigOf(t, "auklet-18", seed)
	_, ok := r.start(3 * time.Second)
	require.True(t, ok)
	return r
}

// engaged has the brake pressed and the lever at D.
func (r *rig) engaged() {
	r.t.Helper()
	r.drive("parking_brake", "false")
	r.drive("brake", "100")
	r.run(500 * time.Millisecond)
	r.drive("selector", "D")
	r.run(3 * time.Second)
}

// until drives on until a signal is over a bound.
func (r *rig) until(name string, above float64, limit time.Duration) {
	r.t.Helper()
	for end := r.now + limit; r.now < end; r.step() {
		if r.truth(name) > above {
			return
		}
	}
	r.t.Fatalf("%s is %g after %v, want above %g", name, r.truth(name), limit, above)
}

func (r *rig) gearboxReads(name string) float64 {
	r.t.Helper()
	ref, ok := r.gearbox.Readings().Lookup(name)
	require.True(r.t, ok, name)
	return r.gearbox.Readings().Get(ref)
}

// The idle's air is what the ideal gas law gives for the cylinders' volume at the
// manifold's density, times a volumetric efficiency of 0.7 to 0.95 against manifold
// conditions ("Internal Combustion Engine Fundamentals", chapter 6). Fuel at warm idle
// is 0.6 to 1.1 l/h for such an engine (common practice).
func TestIdleOfTheFourCylinder(t *testing.T) {
	r := auklet(t, 1)
	r.run(60 * time.Second)
	rpm, deviation, _, _ := r.spread("engine_rpm", 20*time.Second)
	assert.InDelta(t, 750, rpm, 15)
	assert.Less(t, deviation, 12.0)
	density := r.truth("manifold_kpa") * 1000 / 287.05 / (273.15 + 45) // of a charge at some 45 degC
	full := density * 1.8e-3 * rpm / 120 * 1000
	share := r.truth("air_mass_gps") / full
	assert.Greater(t, share, 0.7)
	assert.Less(t, share, 0.95)
	lph := r.truth("air_mass_gps") / 14.7 / 745 * 3600
	assert.Greater(t, lph, 0.6)
	assert.Less(t, lph, 1.1)
	assert.Empty(t, r.codes.stored)
}

// Starting is allowed in P and N only (FMVSS 102 S3.1.3, from memory), and the
// starter turns the engine at 150 to 250 rev/min (common practice).
func TestItCranksInParkAndNeutralOnly(t *testing.T) {
	for _, c := range []struct {
		position string
		cranks   bool
	}{{"P", true}, {"R", false}, {"N", true}, {"D", false}} {
		r := newRigOf(t, "auklet-18", 1)
		r.drive("key", "on")
		r.drive("brake", "100")
		r.run(time.Second)
		r.drive("selector", c.position)
		r.run(500 * time.Millisecond)
		assert.Equal(t, c.cranks, r.reading("start_allowed") == 1, c.position)
		r.drive("key", "start")
		r.run(300 * time.Millisecond)
		turns := r.truth("engine_rpm")
		r.run(1500 * time.Millisecond)
		assert.Equal(t, c.cranks, r.truth("engine_running") == 1, c.position)
		if c.cranks {
			assert.Greater(t, turns, 120.0)
		} else {
			assert.Zero(t, turns, c.position)
		}
	}
	r := newRigOf(t, "auklet-18", 1)
	r.wire("fuel-pump-relay", car.Wiring{State: car.Open})
	r.drive("key", "on")
	r.run(time.Second)
	r.drive("key", "start")
	r.run(2500 * time.Millisecond)
	rpm, _, _, _ := r.spread("engine_rpm", time.Second)
	if r.truth("engine_running") == 0 {
		assert.Greater(t, rpm, 150.0)
		assert.Less(t, rpm, 250.0)
	}
}

// The lock keeps the lever at P without the brake (common practice).
func TestTheLeverLeavesParkWithTheBrakeOnly(t *testing.T) {
	r := auklet(t, 1)
	r.drive("selector", "D")
	r.run(time.Second)
	assert.Zero(t, r.truth("selector"))
	assert.EqualValues(t, 1, r.truth("park_neutral"))
	r.drive("brake", "30")
	r.run(time.Second)
	assert.EqualValues(t, car.SelectorD, r.truth("selector"))
	assert.EqualValues(t, car.SelectorD, r.gearboxReads("selector"))
	assert.EqualValues(t, car.SelectorD, r.reading("selector"), "the engine ECU has the gearbox ECU's word")
}

// At stall the pump wheel takes capacity times squared speed, so the engine comes to
// rest where its own torque is that; 1800 to 2600 rev/min is usual. The turbine gives
// about twice the torque (usual 1.9 to 2.5), which shows in how the car starts to move.
// Both from a common automotive engineering handbook's chapter on converters.
func TestStallOfTheConverter(t *testing.T) {
	r := auklet(t, 1)
	r.run(20 * time.Second)
	r.engaged()
	r.drive("parking_brake", "true")
	fluid := r.truth("fluid_c")
	r.drive("accelerator", "100")
	r.run(3 * time.Second)
	rpm, _, _, _ := r.spread("engine_rpm", time.Second)
	assert.Greater(t, rpm, 1800.0)
	assert.Less(t, rpm, 2600.0)
	omega := rpm * math.Pi / 30
	torque, _, _, _ := r.spread("clutch_nm", 500*time.Millisecond)
	assert.InDelta(t, 2850e-6*omega*omega, torque, 4, "the torque of the capacity")
	assert.Zero(t, r.truth("vehicle_kmh"))
	// Nothing moves, so all of the pump wheel's power is heat in the fluid, 14 kJ/K.
	assert.InDelta(t, torque*omega*4.5/14000, r.truth("fluid_c")-fluid, 2.5)

	r.drive("accelerator", "0")
	r.drive("parking_brake", "false")
	r.run(3 * time.Second)
	omega = r.truth("engine_rpm") * math.Pi / 30
	force := 2*2850e-6*omega*omega*2.769*4.12*0.94/0.305 - 0.012*1240*9.81
	r.drive("brake", "0")
	r.run(250 * time.Millisecond)
	v := r.truth("vehicle_kmh") / 3.6
	r.run(400 * time.Millisecond)
	assert.InDelta(t, force/1240, (r.truth("vehicle_kmh")/3.6-v)/0.4, 0.15, "m/s2")
	r.run(12 * time.Second)
	assert.Greater(t, r.truth("vehicle_kmh"), 4.0, "it creeps")
	assert.Less(t, r.truth("vehicle_kmh"), 10.0)
}

// With the converter locked the engine turns at road speed over the wheel's
// circumference, times final drive and gear.
func TestLockedUpTheEngineFollowsTheWheels(t *testing.T) {
	r := auklet(t, 1)
	r.run(20 * time.Second)
	r.engaged()
	r.drive("brake", "0")
	r.drive("accelerator", "35")
	r.until("vehicle_kmh", 85, 60*time.Second)
	r.drive("accelerator", "18")
	r.run(6 * time.Second)
	assert.EqualValues(t, 4, r.truth("gear"))
	assert.EqualValues(t, 100, r.truth("lockup_pct"))
	want := r.truth("vehicle_kmh") / 3.6 / (2 * math.Pi * 0.305) * 60 * 4.12 * 0.679
	assert.InEpsilon(t, want, r.truth("engine_rpm"), 0.003)
	assert.InEpsilon(t, 0.679, r.gearboxReads("gear_ratio"), 0.003)
	// Unlocked it slips.
	r.drive("accelerator", "80")
	r.run(1500 * time.Millisecond)
	assert.Zero(t, r.truth("lockup_pct"))
	assert.Greater(t, r.truth("converter_slip_rpm"), 50.0)
	assert.Empty(t, r.codes.stored)
}

// The ratios are those of a planetary set with two suns of 26 and 34 teeth and a ring
// of 72, by the Willis equation: (w1-wc)/(wr-wc) is 72/26 for the small sun, whose two
// planets keep the sense, and -72/34 for the large one.
func TestRatiosOfThePlanetarySet(t *testing.T) {
	spec, err := car.BuiltIn("auklet-18")
	require.NoError(t, err)
	const small, large, ring = 26.0, 34.0, 72.0
	// With the large sun held and the ring at 1: (0-wc)/(1-wc) = -ring/large.
	carrier := ring / (large + ring)
	want := []float64{ring / small, carrier + ring/small*(1-carrier), 1, carrier}
	for i, w := range want {
		assert.InDelta(t, w, spec.Driveline.Ratios[i], 0.001, "gear %d", i+1)
	}
	assert.InDelta(t, ring/large, spec.Driveline.Reverse, 0.001)
}

// The schedule: up and down one gear at a time, later with more pedal, and the pedal
// on the floor takes a gear back.
func TestItShiftsByTheScheduleAndKicksDown(t *testing.T) {
	at := func(pedal string) (kmh []float64) {
		r := auklet(t, 1)
		r.run(10 * time.Second)
		r.engaged()
		r.drive("brake", "0")
		r.drive("accelerator", pedal)
		gear := 1.0
		for end := r.now + 60*time.Second; r.now < end && gear < 4; r.step() {
			if g := r.truth("gear"); g != gear {
				assert.Equal(t, gear+1, g)
				gear = g
				kmh = append(kmh, r.truth("vehicle_kmh"))
			}
		}
		return kmh
	}
	light, full := at("30"), at("85")
	require.Len(t, light, 3)
	require.GreaterOrEqual(t, len(full), 2)
	for i, want := range []float64{20, 40, 62} { // the lines in shift-points.yaml
		assert.InDelta(t, want, light[i], 2)
	}
	assert.Greater(t, full[0], light[0]+10)
	assert.Greater(t, full[1], light[1]+20)

	r := auklet(t, 1)
	r.run(10 * time.Second)
	r.engaged()
	r.drive("brake", "0")
	r.drive("accelerator", "35")
	r.until("vehicle_kmh", 75, 60*time.Second)
	require.EqualValues(t, 4, r.truth("gear"))
	r.drive("accelerator", "100")
	r.run(2500 * time.Millisecond)
	assert.LessOrEqual(t, r.truth("gear"), 3.0)
	assert.Greater(t, r.truth("engine_rpm"), 2800.0)
	r.drive("accelerator", "0")
	r.drive("brake", "40")
	r.run(12 * time.Second)
	assert.EqualValues(t, 1, r.truth("gear"))
	assert.EqualValues(t, 1, r.truth("engine_running"), "the converter lets it stand")
	assert.Empty(t, r.codes.stored)
}

// A slow shift is answered with more pressure, within bounds, and kept.
func TestItLearnsFromItsShifts(t *testing.T) {
	r := newRigOf(t, "auklet-18", 1)
	spec, err := car.BuiltIn("auklet-18")
	require.NoError(t, err)
	nv := settable{r.nv["gearbox"]}
	r.gearbox, err = app.NewGearbox(r.car, known{r.codes, unitOf(t, spec, "gearbox")}, nv)
	require.NoError(t, err)
	p, ok := r.car.Part("line-pressure")
	require.True(t, ok)
	p.Set(55)
	r.line = app.Line(r.engine, r.brake, r.body, r.gearbox)
	_, ok = r.start(3 * time.Second)
	require.True(t, ok)
	r.run(10 * time.Second)
	before := nv.memory["shift_adapt"]
	r.engaged()
	r.drive("brake", "0")
	r.drive("accelerator", "30")
	r.run(40 * time.Second)
	assert.Greater(t, r.gearboxReads("shift_time_s"), 0.3)
	assert.Less(t, nv.memory["shift_adapt"], before, "less pressure is taken away")
}

type settable struct{ memory }

func (s settable) Set(name string, v float64) { s.memory[name] = v }

// With the key on and nothing broken no seed brings a code, in a drive either.
func TestNoSeedGivesTheHealthyAutomaticACode(t *testing.T) {
	for seed := range chance.Seed(12) {
		r := auklet(t, seed)
		r.run(25 * time.Second)
		r.engaged()
		r.drive("brake", "0")
		r.drive("accelerator", "40")
		r.run(25 * time.Second)
		r.drive("accelerator", "0")
		r.drive("brake", "40")
		r.run(12 * time.Second)
		r.drive("selector", "P")
		r.run(15 * time.Second)
		assert.Empty(t, r.codes.stored, "seed %d", seed)
		rpm, deviation, low, _ := r.spread("engine_rpm", 10*time.Second)
		assert.InDelta(t, 750, rpm, 15)
		assert.Less(t, deviation, 12.0)
		assert.Greater(t, low, 690.0)
	}
}

// A gear of an automatic gearbox is not the driver's, a clutch pedal not there.
func TestControlsAreThoseOfTheCar(t *testing.T) {
	r := newRigOf(t, "auklet-18", 1)
	assert.EqualError(t, r.car.Drive("clutch", "100"), "the car auklet-18 has no clutch: its gearbox is an automatic one, with a selector")
	assert.EqualError(t, r.car.Drive("gear", "1"), "the car auklet-18 has no gear: its gearbox is an automatic one, with a selector")
	assert.EqualError(t, r.car.Drive("selector", "2"), `selector "2", want one of [P R N D]`)
	r = newRig(t, 1)
	assert.EqualError(t, r.car.Drive("selector", "D"), "the car petrel-48 has no selector: its gearbox is a manual one, with clutch and gear")
}

func TestBadShiftPointsAreNamed(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"kickdown_pct: 95", "kickdown_pct: 9.5", "kickdown_pct: 9.5, want 50..100 %"},
		{"kickdown_pct: 95", "kick_down: 95", `unknown field "kick_down"`},
		{"solenoids: [[true, true], ", "solenoids: [", "3 pairs, want one for each of the 4 gears"},
		{"  - [[0, 48], [30, 62], [60, 100], [100, 160]]\n", "", "2 lines, want one for each of the 3 pairs of gears"},
		{"  - [[0, 8], [60, 16], [100, 42]]", "  - [[0, 8], [60, 40], [100, 42]]", "or the gearbox hunts"},
		{"selector_v: [0.6, 4.4]", "selector_v: [4.4, 0.6]", "selector_v[1]"},
		{"from_gear: 3", "from_gear: 5", "lockup.from_gear: 5, want 1..4"},
		{"ratios: [2.769,", "ratios: [0,", "ratios[0]: 0, want 0.3..8"},
	} {
		spec, err := car.BuiltIn("auklet-18")
		require.NoError(t, err)
		data, err := fs.ReadFile(spec.Dir, spec.ShiftPoints)
		require.NoError(t, err)
		require.Contains(t, string(data), c.old)
		dir := fstest.MapFS{"car.yaml": {}, spec.ShiftPoints: {Data: []byte(strings.Replace(string(data), c.old, c.new, 1))}}
		bad := car.Spec{Name: spec.Name, ShiftPoints: spec.ShiftPoints, Driveline: spec.Driveline, Dir: dir}
		_, err = app.NewGearbox(car.New(&bad, 1), nil, memory{})
		require.Error(t, err, c.new)
		assert.Contains(t, err.Error(), c.want)
		assert.Regexp(t, `^shift-points\.yaml:\d+:\d+: `, err.Error())
	}
}
