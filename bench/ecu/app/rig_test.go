package app_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/app"
	"sawhorse/bench/ecu/spec"
	ecu "sawhorse/bench/ecu/unit"
)

// memory is a simple non-volatile memory.
type memory map[string]float64

func (m memory) Get(name string) (float64, bool) { v, ok := m[name]; return v, ok }

// codeMemory is a simple trouble code memory: it knows every code, and stores one
// after half a second of failed samples in a row.
type codeMemory struct {
	names  []string
	failed []time.Duration // since when; -1 for not failing
	stored []string
	first  map[string]time.Duration
}

func (m *codeMemory) Ref(code string) (int, bool) {
	m.names = append(m.names, code)
	m.failed = append(m.failed, -1)
	return len(m.names) - 1, true
}

func (m *codeMemory) Test(ref int, now time.Duration, failed bool) {
	switch {
	case !failed:
		m.failed[ref] = -1
	case m.failed[ref] < 0:
		m.failed[ref] = now
	case now-m.failed[ref] >= 500*time.Millisecond && !slices.Contains(m.stored, m.names[ref]):
		m.stored = append(m.stored, m.names[ref])
		if m.first == nil {
			m.first = map[string]time.Duration{}
		}
		m.first[m.names[ref]] = now
	}
}

func (m *codeMemory) MIL() bool { return len(m.stored) > 0 }

// known is a code memory that knows a car's own codes only.
type known struct {
	*codeMemory
	spec *spec.Unit
}

func (k known) Ref(code string) (int, bool) {
	if _, ok := k.spec.Code(code); !ok {
		return 0, false
	}
	return k.codeMemory.Ref(code)
}

// rig is a car with the programs of its ECUs.
type rig struct {
	t       testing.TB
	car     *car.Car
	engine  *app.Engine
	brake   *app.Brake
	body    *app.Body
	gearbox *app.Gearbox // nil for a manual one
	nv      map[string]memory
	codes   *codeMemory
	now     time.Duration
	line    func()
}

func newRig(t testing.TB, seed chance.Seed) *rig {
	t.Helper()
	return newRigOf(t, "petrel-48", seed)
}

func newRigOf(t testing.TB, name string, seed chance.Seed) *rig {
	t.Helper()
	spec, err := car.BuiltIn(name)
	require.NoError(t, err)
	r := &rig{t: t, car: car.New(spec, seed), nv: map[string]memory{"engine": {}, "brake": {}, "body": {}, "gearbox": {}}, codes: &codeMemory{}}
	units, err := ecu.Specs(spec)
	require.NoError(t, err)
	codes := map[string]known{}
	for _, u := range units {
		codes[u.Name] = known{r.codes, u}
	}
	learned, err := app.LearnedValues(spec)
	require.NoError(t, err)
	for _, l := range learned {
		r.nv[l.ECU][l.Value] = l.Number
	}
	r.engine, err = app.NewEngine(r.car, codes["engine"], r.nv["engine"])
	require.NoError(t, err)
	r.brake, err = app.NewBrake(r.car, codes["brake"], r.nv["brake"])
	require.NoError(t, err)
	r.body, err = app.NewBody(r.car, codes["body"], r.nv["body"])
	require.NoError(t, err)
	if spec.Automatic() {
		r.gearbox, err = app.NewGearbox(r.car, codes["gearbox"], r.nv["gearbox"])
		require.NoError(t, err)
	}
	r.line = app.Line(r.engine, r.brake, r.body, r.gearbox)
	return r
}

func (r *rig) step() {
	r.car.Step(car.StepTime)
	r.now += car.StepTime
	r.engine.Step(r.now)
	r.brake.Step(r.now)
	r.body.Step(r.now)
	if r.gearbox != nil {
		r.gearbox.Step(r.now)
	}
	r.line()
}

// run lets time pass and calls each after every step.
func (r *rig) run(d time.Duration, each ...func()) {
	for end := r.now + d; r.now < end; {
		r.step()
		for _, f := range each {
			f()
		}
	}
}

func (r *rig) drive(control, value string) {
	r.t.Helper()
	require.NoError(r.t, r.car.Drive(control, value))
}

// truth is a true signal; reading one of the engine ECU's.
func (r *rig) truth(name string) float64 {
	ref, ok := r.car.Truth.Lookup(name)
	require.True(r.t, ok, "no signal %s", name)
	return r.car.Truth.Get(ref)
}

func (r *rig) reading(name string) float64 {
	ref, ok := r.engine.Readings().Lookup(name)
	require.True(r.t, ok, "no reading %s", name)
	return r.engine.Readings().Get(ref)
}

// start presses the clutch, turns the key and holds it until the engine runs or
// limit is over; it returns how long that took from the turn to start.
func (r *rig) start(limit time.Duration) (took time.Duration, ok bool) {
	r.t.Helper()
	r.drive("key", "on")
	if r.gearbox == nil {
		r.drive("clutch", "100")
	}
	r.run(2 * time.Second)
	r.drive("key", "start")
	began := r.now
	for r.now-began < limit {
		r.step()
		if r.truth("engine_running") == 1 && r.truth("engine_rpm") > 500 {
			ok = true
			break
		}
	}
	took = r.now - began
	r.drive("key", "on")
	return took, ok
}

// spread is mean and standard deviation of a true signal over d.
func (r *rig) spread(name string, d time.Duration) (mean, deviation, low, high float64) {
	var n, sum, sq float64
	low, high = math.Inf(1), math.Inf(-1)
	r.run(d, func() {
		v := r.truth(name)
		n, sum, sq = n+1, sum+v, sq+v*v
		low, high = min(low, v), max(high, v)
	})
	mean = sum / n
	return mean, math.Sqrt(max(sq/n-mean*mean, 0)), low, high
}

// unitOf is the description of a car's ECU.
func unitOf(t testing.TB, c *car.Spec, name string) *spec.Unit {
	t.Helper()
	units, err := ecu.Specs(c)
	require.NoError(t, err)
	i := slices.IndexFunc(units, func(u *spec.Unit) bool { return u.Name == name })
	require.GreaterOrEqual(t, i, 0, name)
	return units[i]
}
