package fault_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/fault"
)

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

func driveOf(t *testing.T, e *fault.Entry, c *car.Car) *fault.Drive {
	t.Helper()
	name := e.ShowsIn
	if name == "" {
		name = "idle"
	}
	d, ok := fault.DriveOf(name, c.Spec())
	require.True(t, ok, "no drive %q", name)
	return d
}

// Every fault brings the codes that the catalogue promises and no others, by the
// life cycle of 13 CCR 1968.2 and ISO 14229-1: one-trip codes confirmed in the first
// drive, two-trip ones pending in it and confirmed in the second. Its symptom can be
// measured, and not at a sound car. Mended, learned again, cleared and driven, the
// car is as before, permanent codes included.
func TestEveryFaultKeepsItsPromise(t *testing.T) {
	require.NotEmpty(t, fault.Catalogue())
	for _, e := range fault.Catalogue() {
		if e.OnBus() {
			continue // tested with a bus, in package bench
		}
		t.Run(e.ID, func(t *testing.T) {
			t.Parallel()
			keepsItsPromise(t, e, nil)
		})
	}
}

// A sound car has none of the symptoms.
func TestASoundCarHasNoSymptom(t *testing.T) {
	for _, name := range car.Names() {
		spec, err := car.BuiltIn(name)
		require.NoError(t, err)
		for _, d := range fault.Drives(spec) {
			t.Run(name+"/"+d.Name, func(t *testing.T) {
				t.Parallel()
				w := newWorkshopWith(t, name)
				var of []*fault.Entry
				var symptoms []*fault.Symptom
				for _, e := range fault.Catalogue() {
					if e.OnBus() || e.Symptom == nil || driveOf(t, e, w.car).Name != d.Name {
						continue
					}
					if f, err := fault.New(e.ID, nil); err != nil || f.Check(w.target()) != nil || foreign(e, name) {
						continue
					}
					of, symptoms = append(of, e), append(symptoms, e.Symptom)
				}
				if len(symptoms) == 0 {
					return
				}
				for i, v := range w.measure(&d, symptoms...) {
					assert.False(t, symptoms[i].Shown(v), "%s: %s, %g", of[i].ID, symptoms[i], v)
				}
			})
		}
	}
}

// foreign says that the numbers of an entry are those of another car: the bounds of
// symptoms are the home car's.
func foreign(e *fault.Entry, name string) bool {
	return (e.Group == "automatic gearbox") == (name == car.Default)
}

// The same with the other values of the parameters that say what is broken.
func TestEveryVariantOfAFaultBringsItsCodes(t *testing.T) {
	for _, e := range fault.Catalogue() {
		if e.OnBus() {
			continue
		}
		for _, params := range variants(e)[1:] {
			t.Run(e.ID, func(t *testing.T) {
				t.Parallel()
				w := home(t, e)
				f, err := fault.New(e.ID, params)
				require.NoError(t, err)
				require.NoError(t, f.On(w.target()))
				d := driveOf(t, e, w.car)
				w.drive(d, nil)
				if slices.ContainsFunc(f.Codes(), func(c string) bool { return w.trips(c) > 1 }) {
					w.drive(d, nil)
				}
				assert.ElementsMatch(t, f.Codes(), w.codes(confirmedBit), "%v", params)
			})
		}
	}
}

func keepsItsPromise(t *testing.T, e *fault.Entry, params map[string]any) {
	w := home(t, e)
	d := driveOf(t, e, w.car)
	f, err := fault.New(e.ID, params)
	require.NoError(t, err)
	require.NoError(t, f.On(w.target()))
	v := w.drive(d, e.Symptom)
	if s := e.Symptom; s != nil {
		assert.True(t, s.Shown(v), "no symptom: %s, %g", s, v)
	}
	var one, two []string
	for _, c := range f.Codes() {
		if w.trips(c) == 1 {
			one = append(one, c)
		} else {
			two = append(two, c)
		}
	}
	assert.ElementsMatch(t, one, w.codes(confirmedBit), "confirmed after the first drive")
	assert.ElementsMatch(t, f.Codes(), w.codes(pendingBit), "pending after the first drive")
	if len(two) > 0 && w.ran { // an engine that does not start makes no driving cycle
		w.drive(d, nil)
		assert.ElementsMatch(t, f.Codes(), w.codes(confirmedBit), "confirmed after the second drive")
	}
	f.Off()
	assert.False(t, f.Active())
	w.learn()
	w.clear()
	again := d
	if w.permanent() {
		again, _ = fault.DriveOf("conditions", w.car.Spec())
	}
	v = w.drive(again, symptomIn(again, d, e.Symptom))
	if s := e.Symptom; s != nil && again == d {
		assert.False(t, s.Shown(v), "mended, it still has the symptom: %s, %g", s, v)
	}
	assert.Empty(t, w.codes(confirmedBit|pendingBit), "mended, cleared and driven")
	assert.False(t, w.permanent(), "permanent codes are gone")
}

func symptomIn(again, d *fault.Drive, s *fault.Symptom) *fault.Symptom {
	if again == d {
		return s
	}
	return nil
}

// The drives themselves bring a sound car no code, and it runs where it should.
func TestASoundCarHasNoCodesInAnyDrive(t *testing.T) {
	for _, name := range car.Names() {
		spec, err := car.BuiltIn(name)
		require.NoError(t, err)
		require.NotEmpty(t, fault.Drives(spec))
		for _, d := range fault.Drives(spec) {
			t.Run(name+"/"+d.Name, func(t *testing.T) {
				t.Parallel()
				w := newWorkshopWith(t, name)
				for range 2 {
					w.drive(&d, nil)
					assert.Empty(t, w.codes(confirmedBit|pendingBit))
				}
			})
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
	idle, _ := fault.DriveOf("idle", w.car.Spec())
	w.drive(idle, nil)
	assert.Equal(t, []string{"P080A"}, w.codes(confirmedBit))
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
	assert.ErrorContains(t, err, `fault "flat-tyre": not in the catalogue (sawhorse faults lists all `)
}
