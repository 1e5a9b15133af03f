package fault_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/fault"
)

// elsewhere are the faults whose codes on the Auklet are others than those of the
// catalogue that its units know.
var elsewhere = map[string][]string{
	// The leak of the catalogue is large for a small engine.
	"vacuum-leak": {"P0171", "P0507"},
	// One reference feeds all of the engine's sensors here, crank and cam included.
	"sensor-supply-a-open":    {"P0641", "P0107", "P0122", "P0222", "P0462", "P2122", "P2127"},
	"sensor-supply-a-shorted": {"P0107", "P0122", "P0222", "P0462", "P0642", "P2122", "P2127"},
}

// The words with which a car refuses a fault of what it has not.
func TestWhatACarLacksIsRefusedByName(t *testing.T) {
	for _, c := range []struct{ car, id, want string }{
		{"auklet-18", "clutch-sensor-open", `fault clutch-sensor-open: the car auklet-18 has no circuit "clutch-sensor"`},
		{"auklet-18", "clutch-unlearned", `fault clutch-unlearned: the car auklet-18 has nothing called "clutch_released_v" in the memory of its ECU engine`},
		{"auklet-18", "clutch-slips", `fault clutch-slips: the car auklet-18 has no part "clutch-lining"`},
		{"petrel-48", "turbine-sensor-dead", `fault turbine-sensor-dead: the car petrel-48 has no circuit "turbine-sensor"`},
		{"petrel-48", "lockup-worn", `fault lockup-worn: the car petrel-48 has no part "lockup-lining"`},
	} {
		f, err := fault.New(c.id, nil)
		require.NoError(t, err)
		assert.EqualError(t, f.Check(newWorkshopWith(t, c.car).target()), c.want)
	}
}

// The catalogue is not made for one car. On the Auklet every cause whose parts it has
// brings the codes that its own units know, by their own trips; every other is refused
// with the part and the car named.
func TestTheCatalogueOnTheOtherCar(t *testing.T) {
	fits, refused := 0, 0
	for _, e := range fault.Catalogue() {
		if e.OnBus() {
			continue
		}
		w := newWorkshopWith(t, "auklet-18")
		f, err := fault.New(e.ID, nil)
		require.NoError(t, err)
		if err := f.Check(w.target()); err != nil {
			refused++
			assert.Regexp(t, `^fault `+e.ID+`: the car auklet-18 has (no (circuit|part|plug|rail|fuse|connector) "[a-z0-9-]+"|nothing called "[a-z_]+" in the memory of its ECU [a-z]+)`, err.Error())
			assert.Error(t, f.On(w.target()))
			assert.False(t, f.Active())
			continue
		}
		fits++
		t.Run(e.ID, func(t *testing.T) {
			t.Parallel()
			require.NoError(t, f.On(w.target()))
			want, ok := elsewhere[e.ID]
			if !ok {
				want = slices.DeleteFunc(f.Codes(), func(c string) bool { return w.trips(c) > 9 })
			}
			d := driveOf(t, e, w.car)
			w.drive(d, nil)
			if slices.ContainsFunc(want, func(c string) bool { return w.trips(c) > 1 }) && w.ran {
				w.drive(d, nil)
				assert.ElementsMatch(t, want, w.codes(confirmedBit))
				return
			}
			assert.ElementsMatch(t, want, w.codes(confirmedBit|pendingBit))
		})
	}
	assert.Greater(t, fits, 70)
	assert.Greater(t, refused, 20)
}
