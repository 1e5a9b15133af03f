package fault_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu"
	"sawhorse/bench/ecu/control"
	"sawhorse/bench/fault"
)

// plug is a tool's cable that remembers where it is.
type plug struct{ out bool }

func (p *plug) Pull()    { p.out = true }
func (p *plug) PutBack() { p.out = false }

// workshop is a car with the programs of its ECUs and the engine ECU's code memory.
type workshop struct {
	t      *testing.T
	car    *car.Car
	engine *control.Engine
	body   *control.Body
	nv     map[string]*ecu.NV
	mem    *ecu.Memory
	codes  []string
	cable  plug
	now    time.Duration
}

func newWorkshop(t *testing.T) *workshop {
	t.Helper()
	spec, err := car.BuiltIn("petrel-48")
	require.NoError(t, err)
	specs, err := ecu.LoadSpecs(spec.Dir, spec.ECUFiles)
	require.NoError(t, err)
	w := &workshop{t: t, car: car.New(spec, chance.Seed(1)), nv: map[string]*ecu.NV{}}
	for _, s := range specs {
		w.nv[s.Name] = ecu.NewNV(s, nil)
		if s.Name == "engine" {
			w.mem = ecu.NewMemory(s)
			for _, c := range s.Codes {
				w.codes = append(w.codes, c.Code)
			}
		}
	}
	w.learn()
	w.engine, err = control.NewEngine(w.car, w.mem, w.nv["engine"])
	require.NoError(t, err)
	w.body, err = control.NewBody(w.car, nil, w.nv["body"])
	require.NoError(t, err)
	return w
}

// learn puts back what a finished car has learned.
func (w *workshop) learn() {
	learned, err := control.LearnedValues(w.car.Spec())
	require.NoError(w.t, err)
	for _, l := range learned {
		w.nv[l.ECU].Set(l.Value, l.Number)
	}
}

func (w *workshop) target() *fault.Target {
	return &fault.Target{Car: w.car, Cable: &w.cable, NV: func(name string) (fault.Memory, bool) {
		nv, ok := w.nv[name]
		return nv, ok
	}}
}

func (w *workshop) run(d time.Duration) {
	for end := w.now + d; w.now < end; w.now += car.StepTime {
		w.car.Step(car.StepTime)
		w.engine.Step(w.now)
		w.body.Step(w.now)
	}
}

func (w *workshop) truth(name string) float64 {
	r, ok := w.car.Truth.Lookup(name)
	require.True(w.t, ok, name)
	return w.car.Truth.Get(r)
}

// day is one drive: key on, start, idle, key off. It gives the codes stored
// (status bit 3, ISO 14229-1 annex D) and whether the engine ran.
func (w *workshop) day() (stored []string, ran bool) {
	w.mem.BeginCycle()
	for _, s := range [][2]string{{"clutch", "100"}, {"key", "on"}, {"", ""}, {"key", "start"}, {"", ""}, {"", ""}} {
		if s[0] != "" {
			require.NoError(w.t, w.car.Drive(s[0], s[1]))
		}
		w.run(2 * time.Second)
	}
	require.NoError(w.t, w.car.Drive("key", "on"))
	w.run(30 * time.Second)
	ran = w.truth("engine_running") == 1
	for _, c := range w.codes {
		ref, ok := w.mem.Ref(c)
		require.True(w.t, ok)
		if w.mem.Status(ref)&0x08 != 0 {
			stored = append(stored, c)
		}
	}
	require.NoError(w.t, w.car.Drive("key", "off"))
	w.run(3 * time.Second)
	w.mem.EndCycle()
	return stored, ran
}

// variants are the parameters a fault is tried with: its defaults, and each
// parameter at its other values.
func variants(e *fault.Entry) []map[string]any {
	list := []map[string]any{nil}
	for _, p := range e.Params {
		switch p.Kind {
		case fault.Bool:
			list = append(list, map[string]any{p.Name: p.Default == false})
		case fault.Number:
			list = append(list, map[string]any{p.Name: p.Min}, map[string]any{p.Name: p.Max})
		case fault.Text:
			for _, w := range p.Words {
				list = append(list, map[string]any{p.Name: w})
			}
		}
	}
	return list
}

// Every fault brings the codes that the catalogue promises and no others; mended,
// learned again and cleared, the car is as before.
func TestEveryFaultKeepsItsPromise(t *testing.T) {
	noStart := []string{"clutch-unlearned", "crank-signal-missing"}
	require.NotEmpty(t, fault.Catalogue())
	for _, e := range fault.Catalogue() {
		if e.OnBus() {
			continue // tested with a bus, in package bench
		}
		for _, params := range variants(e) {
			w := newWorkshop(t)
			f, err := fault.New(e.ID, params)
			require.NoError(t, err)
			require.NoError(t, f.On(w.target()))
			assert.True(t, f.Active())
			stored, ran := w.day()
			assert.ElementsMatch(t, f.Codes(), stored, "%s %v", e.ID, params)
			assert.Equal(t, !slices.Contains(noStart, e.ID), ran, "%s %v: does it run?", e.ID, params)

			f.Off()
			assert.False(t, f.Active())
			w.learn()
			require.True(t, w.mem.Clear(0xFFFFFF))
			stored, ran = w.day()
			assert.Empty(t, stored, "%s mended", e.ID)
			assert.True(t, ran, "%s mended", e.ID)
		}
	}
}

// A value that an ECU has lost does not come back with the fault switched off.
func TestOffDoesNotLearn(t *testing.T) {
	w := newWorkshop(t)
	f, err := fault.New("clutch-unlearned", nil)
	require.NoError(t, err)
	require.NoError(t, f.On(w.target()))
	f.Off()
	stored, ran := w.day()
	assert.Equal(t, []string{"P080A"}, stored)
	assert.False(t, ran)
}

func TestTheCableIsPulledAndPutBack(t *testing.T) {
	w := newWorkshop(t)
	f, err := fault.New("tool-cable-pulled", nil)
	require.NoError(t, err)
	require.NoError(t, f.On(w.target()))
	assert.True(t, w.cable.out)
	require.NoError(t, f.On(w.target()), "a fault that is on stays so")
	f.Off()
	assert.False(t, w.cable.out)
	f.Off()

	bare := w.target()
	bare.Cable = nil
	assert.ErrorContains(t, f.On(bare), "fault tool-cable-pulled: the tool's cable can only be pulled on an embedded bus")
	assert.False(t, f.Active())
}

func TestTwoFaultsCannotHaveTheSameWire(t *testing.T) {
	w := newWorkshop(t)
	one, err := fault.New("crank-signal-missing", nil)
	require.NoError(t, err)
	two, err := fault.New("crank-signal-missing", map[string]any{"wire": "short-to-ground"})
	require.NoError(t, err)
	require.NoError(t, one.On(w.target()))
	assert.EqualError(t, two.On(w.target()), "fault crank-signal-missing: the wire of crank-sensor is open already: another fault acts on it")
	assert.False(t, two.Active())
	one.Off()
	require.NoError(t, two.On(w.target()))
	c, _ := w.car.Circuit("crank-sensor")
	assert.Equal(t, car.ShortToGround, c.Wiring().State)
}

func TestWhatTheTargetLacksIsNamed(t *testing.T) {
	w := newWorkshop(t)
	target := w.target()
	target.NV = func(string) (fault.Memory, bool) { return nil, false }
	f, err := fault.New("crank-variation-unlearned", nil)
	require.NoError(t, err)
	assert.EqualError(t, f.Check(target), `fault crank-variation-unlearned: there is no ECU "engine"`)
}

func TestParameterErrorsNameParameterRangeAndValue(t *testing.T) {
	for _, c := range []struct {
		id     string
		params map[string]any
		want   string
	}{
		{"air-mass-dead", map[string]any{"whole-plug": "maybe"}, "fault air-mass-dead: parameter whole-plug is maybe, want true or false"},
		{"air-mass-dead", map[string]any{"whole-plug": 1}, "parameter whole-plug is 1, want true or false"},
		{"air-mass-dead", map[string]any{"zz": 1, "aa": 1}, `parameter "aa" is not known, want whole-plug`},
		{"intake-air-open", map[string]any{"aa": 1}, `parameter "aa" is not known, want none`},
		{"crank-signal-missing", map[string]any{"wire": "cut"}, "parameter wire is cut, want open, short-to-ground, short-to-supply"},
	} {
		_, err := fault.New(c.id, c.params)
		assert.ErrorContains(t, err, c.want)
	}
	_, err := fault.New("flat-tyre", nil)
	assert.ErrorIs(t, err, fault.ErrUnknown)
	assert.ErrorContains(t, err, `fault "flat-tyre": not in the catalogue; known are [air-mass-dead`)
}
