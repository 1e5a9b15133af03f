package app_test

import (
	"hash/fnv"
	"io/fs"
	"math"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/app"
)

// fingerprint is a number over every true signal and reading of a run.
func fingerprint(t testing.TB, seed chance.Seed) uint64 {
	r := newRig(t, seed)
	h := fnv.New64a()
	note := func() {
		for _, i := range r.car.Truth.Infos() {
			v := math.Float64bits(r.truth(i.Name))
			h.Write([]byte{byte(v), byte(v >> 8), byte(v >> 16), byte(v >> 24), byte(v >> 32), byte(v >> 40), byte(v >> 48), byte(v >> 56)})
		}
		for _, i := range r.engine.Readings().Infos() {
			v := math.Float64bits(r.reading(i.Name))
			h.Write([]byte{byte(v), byte(v >> 8), byte(v >> 16), byte(v >> 24), byte(v >> 32), byte(v >> 40), byte(v >> 48), byte(v >> 56)})
		}
	}
	_, ok := r.start(3 * time.Second)
	require.True(t, ok)
	r.wire("air-mass-sensor", car.Wiring{State: car.Intermittent, OpenPct: 30, PeriodS: 0.5})
	for range 50 {
		r.run(100 * time.Millisecond)
		note()
	}
	return h.Sum64()
}

func TestTheSameSeedGivesTheSameRunBitForBit(t *testing.T) {
	first := fingerprint(t, 7)
	assert.Equal(t, first, fingerprint(t, 7))
	assert.NotEqual(t, first, fingerprint(t, 8))
}

// Every seed is a healthy car.
func TestNoSeedGivesAHealthyCarACode(t *testing.T) {
	for seed := range chance.Seed(12) {
		r := newRig(t, seed)
		took, ok := r.start(3 * time.Second)
		require.True(t, ok, "seed %d", seed)
		assert.Less(t, took, 2*time.Second)
		r.drive("clutch", "0")
		r.run(30 * time.Second)
		mean, deviation, low, _ := r.spread("engine_rpm", 20*time.Second)
		assert.InDelta(t, 600, mean, 15, "seed %d", seed)
		assert.Less(t, deviation, 12.0, "seed %d", seed)
		assert.Greater(t, low, 540.0, "seed %d", seed)
		assert.Empty(t, r.codes.stored, "seed %d", seed)
	}
}

// Whatever the driver and the wiring do, every number stays finite and within
// what a car can be.
func TestNothingTheDriverDoesBreaksTheModel(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRigOf(t, rapid.SampledFrom(car.Names()).Draw(rt, "car"), chance.Seed(rapid.Uint64().Draw(rt, "seed")))
		for range rapid.IntRange(1, 12).Draw(rt, "acts") {
			switch c := rapid.SampledFrom(append(r.car.Spec().Controls(), "wire", "plug", "soak")).Draw(rt, "act"); c {
			case "wire":
				name := rapid.SampledFrom([]string{"crank-sensor", "air-mass-sensor", "coolant-sensor", "throttle-motor",
					"injector-1", "starter-relay", "lambda-sensor-b1s1", "throttle-sensor-1", "pedal-sensor-1"}).Draw(rt, "circuit")
				w := car.Wiring{State: car.WireState(rapid.IntRange(0, 6).Draw(rt, "state")), Ohm: 1000, OpenPct: 20, PeriodS: 1}
				r.wire(name, w)
			case "plug":
				p, _ := r.car.Connector("air-mass-plug")
				p.Unplug()
			case "soak":
				a := rapid.Float64Range(-30, 50).Draw(rt, "ambient")
				r.car.Soak(a, rapid.Float64Range(a, 115).Draw(rt, "coolant"))
			case "key":
				r.drive(c, rapid.SampledFrom([]string{"off", "accessory", "on", "start"}).Draw(rt, "key"))
			case "selector":
				r.drive(c, rapid.SampledFrom([]string{"P", "R", "N", "D"}).Draw(rt, "selector"))
			case "gear":
				r.drive(c, rapid.SampledFrom([]string{"-1", "0", "1", "2", "3", "6"}).Draw(rt, "gear"))
			case "parking_brake", "door_open":
				r.drive(c, rapid.SampledFrom([]string{"true", "false"}).Draw(rt, "value"))
			default:
				r.drive(c, rapid.SampledFrom([]string{"0", "30", "70", "100"}).Draw(rt, "pedal"))
			}
			r.run(time.Duration(rapid.IntRange(5, 1500).Draw(rt, "ms")) * time.Millisecond)
			for _, i := range r.car.Truth.Infos() {
				v := r.truth(i.Name)
				require.False(rt, math.IsNaN(v) || math.Abs(v) > 10000, "%s is %g", i.Name, v)
			}
			for _, i := range r.engine.Readings().Infos() {
				v := r.reading(i.Name)
				most := 100000.0
				if i.Name == "body_key_code" { // a number of 24 bits, not a quantity
					most = 1 << 24
				}
				require.False(rt, math.IsNaN(v) || math.Abs(v) > most, "%s reads %g", i.Name, v)
			}
			require.GreaterOrEqual(rt, r.truth("engine_rpm"), 0.0)
			require.LessOrEqual(rt, r.truth("manifold_kpa"), 101.31)
		}
	})
}

func TestAStepAllocatesNothing(t *testing.T) {
	r := newRig(t, 1)
	_, ok := r.start(3 * time.Second)
	require.True(t, ok)
	assert.Zero(t, testing.AllocsPerRun(1000, r.step))
}

func TestResetForgetsEverythingButMemory(t *testing.T) {
	r := newRig(t, 1)
	_, ok := r.start(3 * time.Second)
	require.True(t, ok)
	r.run(3 * time.Second)
	r.engine.Restart()
	r.run(2 * time.Second)
	assert.EqualValues(t, 1, r.reading("clutch_learned"))
	assert.Less(t, r.reading("run_time_s"), 2.5)
}

func TestTheLampIsCheckedAtKeyOn(t *testing.T) {
	// 13 CCR 1968.2 (d)(2.1.2): lit for 15 to 20 s at key on, engine off.
	r := newRig(t, 1)
	r.drive("key", "on")
	lit := 0.0
	r.run(30*time.Second, func() { lit += r.truth("mil") * 0.005 })
	assert.GreaterOrEqual(t, lit, 15.0)
	assert.LessOrEqual(t, lit, 20.0)
	assert.Zero(t, r.reading("mil"), "the data stream says off unless commanded")
}

func TestBrakeAndBodyReadTheirPins(t *testing.T) {
	r := newRig(t, 1)
	body := func(name string) float64 {
		ref, ok := r.body.Readings().Lookup(name)
		require.True(t, ok, name)
		return r.body.Readings().Get(ref)
	}
	brake := func(name string) float64 {
		ref, ok := r.brake.Readings().Lookup(name)
		require.True(t, ok, name)
		return r.brake.Readings().Get(ref)
	}
	r.drive("door_open", "true")
	r.run(100 * time.Millisecond)
	assert.EqualValues(t, 1, body("powered"), "the body ECU is always on")
	assert.EqualValues(t, 1, body("door_open"))
	assert.EqualValues(t, 1, body("parking_brake"))
	assert.Zero(t, brake("powered"))
	for i, k := range []string{"off", "accessory", "on", "start"} {
		r.drive("key", k)
		r.run(50 * time.Millisecond)
		assert.EqualValues(t, i, body("key"), k)
	}
	r.drive("key", "on")
	r.drive("brake", "50")
	r.run(500 * time.Millisecond)
	assert.EqualValues(t, 1, brake("brake_pedal"))
	assert.EqualValues(t, 1, brake("powered"))
	assert.EqualValues(t, 1, body("immobiliser_ok"))
}

// calibrationWith is the Petrel's folder with its calibration changed.
func calibrationWith(t *testing.T, old, new string) *car.Spec {
	t.Helper()
	spec, err := car.BuiltIn("petrel-48")
	require.NoError(t, err)
	data, err := fs.ReadFile(spec.Dir, spec.Calibration)
	require.NoError(t, err)
	require.Contains(t, string(data), old)
	return &car.Spec{Name: spec.Name, Calibration: spec.Calibration,
		Dir: fstest.MapFS{spec.Calibration: {Data: []byte(strings.Replace(string(data), old, new, 1))}}}
}

func TestABadCalibrationIsNamed(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"limit_rpm: 6500", "limit_rpm: 65", "fuel.limit_rpm: 65, want 1000..20000 rev/min"},
		{"limit_rpm: 6500", "limit: 6500", `unknown field "limit"`},
		{"catch_pct: 0.9", "catch_pct: .nan", "catch_pct is .nan, want a finite number"},
		{"map_rpm: [0, 500, 900,", "map_rpm: [0, 900, 500,", "air.map_rpm[2]: 500, want steps rising from 0"},
		{"    - [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]\n", "", "want one for each of the 11 throttle steps"},
		{"[[-20, 1150], [20, 900]", "[[20, 1150], [-20, 900]", "x rising"},
		{"pedal_1: [0.8, 4.2]", "pedal_1: [4.2, 0.8]", "pins.pedal_1[1]"},
	} {
		_, err := app.LearnedValues(calibrationWith(t, c.old, c.new))
		require.Error(t, err, c.new)
		assert.Contains(t, err.Error(), c.want)
		assert.Regexp(t, `^calibration\.yaml:\d+:\d+: `, err.Error())
	}
}

func BenchmarkStep(b *testing.B) {
	r := newRig(b, 1)
	if _, ok := r.start(3 * time.Second); !ok {
		b.Fatal("did not start")
	}
	r.run(20 * time.Second)
	b.ReportAllocs()
	for b.Loop() {
		r.step()
	}
}

func BenchmarkCarStep(b *testing.B) {
	r := newRig(b, 1)
	if _, ok := r.start(3 * time.Second); !ok {
		b.Fatal("did not start")
	}
	b.ReportAllocs()
	for b.Loop() {
		r.car.Step(car.StepTime)
	}
}
