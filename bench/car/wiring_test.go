package car

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func circuit(t testing.TB, c *Car, name string) *Circuit {
	t.Helper()
	ci, ok := c.Circuit(name)
	require.True(t, ok, name)
	return ci
}

// NTC 2.5 kohm at 20 degC, B 3500 K, pull-up 2.2 kohm to 5 V: a common automotive
// engineering handbook.
func TestTemperatureSensor(t *testing.T) {
	for deg, volts := range map[float64]float64{-40: 4.804, -20: 4.411, 0: 3.657, 20: 2.660, 40: 1.732, 60: 1.066, 80: 0.650, 90: 0.511, 100: 0.404, 120: 0.259} {
		c := petrel(t)
		c.Soak(20, deg)
		assert.InDelta(t, volts, circuit(t, c, "coolant-sensor").Volts(), 0.002, "at %g degC", deg)
	}
	// 1 kohm in series at 80 degC: 1.883 V.
	c := petrel(t)
	c.Soak(20, 80)
	ci := circuit(t, c, "coolant-sensor")
	ci.SetWiring(Wiring{State: Resistive, Ohm: 1000})
	c.publish()
	assert.InDelta(t, 1.883, ci.Volts(), 0.002)
}

// Hot wire U^2 = a + b root(m), King's law with a 1 and b 1.2175.
func TestAirMassSensor(t *testing.T) {
	for gps, volts := range map[float64]float64{0: 1.0, 3: 1.763, 6: 1.996, 20: 2.539, 60: 3.230, 150: 3.989, 250: 4.5} {
		c := petrel(t)
		c.Driver.Key = KeyOn
		c.moveDriver()
		c.airSense = gps
		c.publish()
		assert.InDelta(t, volts, circuit(t, c, "air-mass-sensor").Volts(), 0.006, "at %g g/s", gps)
	}
}

// What the pin shows of each wiring fault: engineering practice.
func TestPinOfABrokenWire(t *testing.T) {
	for _, x := range []struct {
		circuit  string
		state    WireState
		low, top float64
	}{
		{"coolant-sensor", Open, 4.99, 5.01}, // pull-up
		{"coolant-sensor", ShortToGround, 0, 0.01},
		{"coolant-sensor", ShortToSupply, 4.99, 5.01},
		{"coolant-sensor", ShortToBattery, 5.01, ClampV},
		{"clutch-sensor", Open, 0, 0.01}, // pull-down
		{"clutch-sensor", ShortToGround, 0, 0.01},
		{"clutch-sensor", ShortToSupply, 4.99, 5.01},
		{"air-mass-sensor", Open, 0, 0.01},
		{"lambda-sensor-b1s1", Open, 0.44, 0.46},
	} {
		c := petrel(t)
		c.Driver.Key = KeyOn
		ci := circuit(t, c, x.circuit)
		ci.SetWiring(Wiring{State: x.state})
		c.Step(StepTime)
		assert.True(t, ci.Volts() >= x.low && ci.Volts() <= x.top, "%s %v: %g V, want %g..%g", x.circuit, x.state, ci.Volts(), x.low, x.top)
		ci.SetWiring(Wiring{})
		c.Step(StepTime)
		whole := petrel(t)
		whole.Driver.Key = KeyOn
		whole.Step(2 * StepTime)
		assert.InDelta(t, circuit(t, whole, x.circuit).Volts(), ci.Volts(), 1e-9, "mended")
	}
}

func TestAPlugTakesItsCircuitsAlong(t *testing.T) {
	c := petrel(t)
	c.Driver.Key = KeyOn
	p, ok := c.Connector("air-mass-plug")
	require.True(t, ok)
	require.Len(t, p.Circuits(), 2)
	p.Unplug()
	c.Step(StepTime)
	assert.False(t, p.Plugged())
	assert.InDelta(t, 0, circuit(t, c, "air-mass-sensor").Volts(), 0.01)
	assert.InDelta(t, 5, circuit(t, c, "intake-air-sensor").Volts(), 0.01)
	assert.Less(t, circuit(t, c, "coolant-sensor").Volts(), 2.0, "others stay")
	p.Plug()
	c.Step(StepTime)
	assert.InDelta(t, 1, circuit(t, c, "air-mass-sensor").Volts(), 0.01)
}

func TestRailsAreShared(t *testing.T) {
	c := petrel(t)
	c.Driver.Key = KeyOn
	a, ok := c.Rail("sensor-5v-a")
	require.True(t, ok)
	a.SetWiring(Wiring{State: ShortToGround})
	c.Step(StepTime)
	assert.Zero(t, a.Volts())
	for _, n := range []string{"throttle-sensor-1", "pedal-sensor-1", "clutch-sensor", "manifold-pressure-sensor"} {
		assert.InDelta(t, 0, circuit(t, c, n).Volts(), 0.01, n)
	}
	assert.Greater(t, circuit(t, c, "throttle-sensor-2").Volts(), 0.4, "the other reference holds")

	a.SetWiring(Wiring{})
	g, ok := c.Rail("sensor-ground")
	require.True(t, ok)
	g.SetWiring(Wiring{State: Open})
	c.Step(StepTime)
	assert.InDelta(t, 5, circuit(t, c, "coolant-sensor").Volts(), 0.01, "without ground it drifts to its pull-up")
	assert.InDelta(t, 5, circuit(t, c, "clutch-sensor").Volts(), 0.01, "and to its supply")
}

func TestActuatorsWorkThroughTheirWires(t *testing.T) {
	for _, x := range []struct {
		state     WireState
		off, on   bool
		pin, held float64 // pin while off, while on; 12 means the supply, FloatV the test source's
	}{
		{Intact, false, true, 12, 0},
		{Open, false, false, FloatV, 0},
		{ShortToGround, true, true, 0, 0},
		{ShortToBattery, false, false, 12, 12},
	} {
		c := petrel(t)
		c.Driver.Key = KeyOn
		ci := circuit(t, c, "fuel-pump-relay")
		ci.SetWiring(Wiring{State: x.state})
		c.Step(20 * time.Millisecond)
		assert.Equal(t, x.off, c.on[loadPump], "%v, driver off", x.state)
		assert.InDelta(t, x.pin, ci.Volts(), 1)
		c.Actuators.FuelPump = true
		c.Step(20 * time.Millisecond)
		assert.Equal(t, x.on, c.on[loadPump], "%v, driver on", x.state)
		assert.InDelta(t, x.held, ci.Volts(), 1)
	}
}

// An intermittent wire is open for its share of the time.
func TestIntermittentWire(t *testing.T) {
	c := petrel(t)
	c.Driver.Key = KeyOn
	ci := circuit(t, c, "coolant-sensor")
	ci.SetWiring(Wiring{State: Intermittent, OpenPct: 25, PeriodS: 0.4})
	open, changes, was := 0, 0, false
	const steps = 40000
	for range steps {
		c.Step(StepTime)
		now := ci.Volts() > 4.9
		if now {
			open++
		}
		if now != was {
			changes++
		}
		was = now
	}
	assert.InDelta(t, 25, 100*float64(open)/steps, 2.5)
	assert.InDelta(t, steps*h/0.4, float64(changes)/2, 60)
}

func TestPulsesStopWithTheWire(t *testing.T) {
	for _, w := range []Wiring{{State: Open}, {State: ShortToGround}, {State: ShortToSupply}, {State: Resistive, Ohm: 5000}} {
		c := petrel(t)
		c.Driver.Key = KeyOn
		c.moveDriver()
		c.omega = 20
		c.exhaust()
		c.publish()
		ci := circuit(t, c, "crank-sensor")
		assert.InDelta(t, 191, ci.Hertz(), 2)
		ci.SetWiring(w)
		c.publish()
		assert.Zero(t, ci.Hertz(), "%v", w.State)
		assert.Zero(t, ci.Turn())
	}
}

// Whatever is wrong, a pin of a 5 V input stays within what its protection lets through.
func TestPinsStayInRange(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := petrel(t)
		c.Driver.Key = rapid.IntRange(KeyOff, KeyStart).Draw(rt, "key")
		for i := range c.circuits {
			c.circuits[i].SetWiring(Wiring{State: WireState(rapid.IntRange(0, 6).Draw(rt, "state")), Ohm: rapid.Float64Range(1, 1e6).Draw(rt, "ohm"), OpenPct: 50, PeriodS: 0.1})
		}
		c.Step(time.Duration(rapid.IntRange(5, 500).Draw(rt, "ms")) * time.Millisecond)
		for i := range c.circuits {
			ci := &c.circuits[i]
			v := ci.Volts()
			require.False(rt, math.IsNaN(v) || v < 0 || v > 16, "%s %g V", ci.Name(), v)
			if ci.spec.Input != nil && ci.spec.Input.PullV <= 5 && ci.supply != nil && ci.supply.spec.Volts == 5 {
				require.LessOrEqual(rt, v, ClampV, ci.Name())
			}
		}
	})
}

func TestWiringCheck(t *testing.T) {
	for _, w := range []Wiring{{}, {State: Open}, {State: Resistive, Ohm: 10}, {State: Intermittent, OpenPct: 5, PeriodS: 2}} {
		assert.NoError(t, w.Check())
	}
	assert.ErrorContains(t, Wiring{State: Resistive}.Check(), "resistance 0 ohm, want above 0")
	assert.ErrorContains(t, Wiring{State: Intermittent, OpenPct: 100, PeriodS: 1}.Check(), "open 100 %")
	assert.ErrorContains(t, Wiring{State: Intermittent, OpenPct: 10}.Check(), "period 0 s")
	assert.ErrorContains(t, Wiring{State: 99}.Check(), "want one of")
	for _, n := range wireStates {
		s, err := ParseWireState(n)
		require.NoError(t, err)
		assert.Equal(t, n, s.String())
	}
	_, err := ParseWireState("cut")
	assert.ErrorContains(t, err, `"cut", want one of`)
}
