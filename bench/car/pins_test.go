package car

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// A pin is the same whether somebody has looked at it in every step or looks now for the
// first time. The reference is the car on which every pin is worked out in every step.
func TestAPinDoesNotHangOnWhoLooks(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		watched, left := petrel(t), petrel(t)
		both := func(fn func(c *Car)) { fn(watched); fn(left) }
		both(func(c *Car) { c.Driver.Key = KeyOn })
		for range rapid.IntRange(1, 20).Draw(rt, "changes") {
			at := rapid.IntRange(0, len(left.circuits)-1).Draw(rt, "circuit")
			other := rapid.IntRange(0, len(left.circuits)-1).Draw(rt, "other circuit")
			rail := rapid.IntRange(0, len(left.rails)-1).Draw(rt, "rail")
			state := WireState(rapid.IntRange(0, 6).Draw(rt, "state"))
			change := []func(c *Car){
				func(c *Car) {
					c.circuits[at].SetWiring(Wiring{State: state, Ohm: 1000, OpenPct: 50, PeriodS: 0.02})
				},
				func(c *Car) { c.circuits[at].SetSkew(Skew{Gain: 1.1, DriftPerS: 0.5, LagS: 0.1}) },
				func(c *Car) { c.circuits[at].SetSkew(Skew{}) },
				func(c *Car) { c.rails[rail].SetWiring(Wiring{State: state % 3}) },
				func(c *Car) { c.connectors[at%len(c.connectors)].Unplug() },
				func(c *Car) { c.connectors[at%len(c.connectors)].Plug() },
				func(c *Car) { c.SwapPins(&c.circuits[at], &c.circuits[other]) },
				func(c *Car) { c.Driver.Accelerator, c.Actuators.FuelPump = float64(at), at%2 == 0 },
			}
			both(change[rapid.IntRange(0, len(change)-1).Draw(rt, "change")])
			for range rapid.IntRange(0, 8).Draw(rt, "steps") {
				both(func(c *Car) { c.Step(StepTime) })
				watched.settlePins()
			}
			ci, look := &left.circuits[other], &watched.circuits[other]
			require.Equal(rt, look.Volts(), ci.Volts(), ci.Name())
		}
		for i := range left.circuits {
			a, b := &watched.circuits[i], &left.circuits[i]
			require.Equal(rt, [4]float64{a.volts, a.hertz, a.Turn(), a.amps}, [4]float64{b.Volts(), b.Hertz(), b.Turn(), b.Amps()}, b.Name())
		}
	})
}
