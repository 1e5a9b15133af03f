package car

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A fuse takes everything behind it, and nothing else.
func TestAFuseFeedsSeveralCircuits(t *testing.T) {
	c := petrel(t)
	c.Driver.Key = KeyOn
	c.Step(50 * time.Millisecond)
	fuse, ok := c.Rail("fuse-exhaust")
	require.True(t, ok)
	assert.NotZero(t, fuse.Fuse())
	fuse.SetWiring(Wiring{State: Open})
	c.Step(50 * time.Millisecond)
	assert.Zero(t, circuit(t, c, "air-mass-sensor").Volts(), "the sensor has no supply")
	for _, n := range []string{"lambda-heater-b1s1", "purge-valve", "vent-valve"} {
		assert.InDelta(t, FloatV, circuit(t, c, n).Volts(), 0.01, n)
	}
	assert.Greater(t, circuit(t, c, "injector-1").Volts(), 11.0, "another fuse")

	pump, _ := c.Rail("fuse-pump")
	pump.SetWiring(Wiring{State: Open})
	c.Actuators.FuelPump = true
	c.Step(50 * time.Millisecond)
	assert.False(t, c.on[loadPump], "the relay pulls in, nothing comes through")
	assert.Zero(t, circuit(t, c, "fuel-pump-feedback").Volts())
}

// Relay contacts burn or weld, whatever their coils do.
func TestRelayContacts(t *testing.T) {
	c := petrel(t)
	c.Driver.Key = KeyOn
	p, _ := c.Part("fan-relay-contact")
	p.Set(1)
	c.Step(20 * time.Millisecond)
	assert.True(t, c.on[loadFan], "welded")
	p.Set(0)
	c.Actuators.Fan = true
	c.Step(20 * time.Millisecond)
	assert.False(t, c.on[loadFan], "burnt")
	p.Mend()
	c.Step(20 * time.Millisecond)
	assert.True(t, c.on[loadFan])
}

// The current of a driver is Ohm's law, and none where the load is not there.
func TestDriverCurrent(t *testing.T) {
	c := petrel(t)
	c.Driver.Key = KeyOn
	c.Actuators.FuelPump = true
	c.Step(50 * time.Millisecond)
	ci := circuit(t, c, "fuel-pump-relay")
	assert.True(t, ci.Commanded())
	assert.InDelta(t, c.batteryV/75, ci.Amps(), 0.005)
	ci.SetWiring(Wiring{State: Open})
	c.Step(20 * time.Millisecond)
	assert.Zero(t, ci.Amps())
}

// Swapped pins: each sensor is read in the other's place; swapped back, all is right.
func TestSwappedPins(t *testing.T) {
	c := petrel(t)
	c.Driver.Key = KeyOn
	c.Soak(20, 80)
	c.Step(20 * time.Millisecond)
	a, b := circuit(t, c, "coolant-sensor"), circuit(t, c, "ambient-sensor")
	hot, cold := a.Volts(), b.Volts()
	// 0.650 V at 80 degC and 2.660 V at 20 degC behind 2.2 kohm: a common automotive
	// engineering handbook.
	assert.InDelta(t, 0.650, hot, 0.01)
	assert.InDelta(t, 2.660, cold, 0.01)
	c.SwapPins(a, b)
	assert.True(t, c.Swapped(a))
	c.Step(20 * time.Millisecond)
	assert.InDelta(t, cold, a.Volts(), 0.01)
	assert.InDelta(t, hot, b.Volts(), 0.01)
	c.SwapPins(b, a)
	c.Step(20 * time.Millisecond)
	assert.InDelta(t, hot, a.Volts(), 0.01)
	assert.False(t, c.Swapped(b))
}

// A sensing element that is off, slow, drifting or stuck.
func TestSkewedElements(t *testing.T) {
	c := petrel(t)
	c.Driver.Key = KeyOn
	ci := circuit(t, c, "manifold-pressure-sensor")
	kPa := func() float64 { return 10 + (ci.Volts()/0.99979-0.4)/4.25*105 } // against 470 kohm
	ci.SetSkew(Skew{Gain: 0.5, Offset: 20})
	c.Step(20 * time.Millisecond)
	assert.InDelta(t, 101.3/2+20, kPa(), 0.5)
	ci.SetSkew(Skew{Stuck: true, At: 60})
	c.Step(20 * time.Millisecond)
	assert.InDelta(t, 60, kPa(), 0.5)
	ci.SetSkew(Skew{DriftPerS: -2})
	c.Step(5 * time.Second)
	assert.InDelta(t, 91.3, kPa(), 0.6)
	ci.SetSkew(Skew{LagS: 2})
	c.Step(time.Second)
	c.Truth.Set(c.at.Baro, 81.3)
	c.manifold = 81.3
	c.Step(2 * time.Second)
	assert.InDelta(t, 81.3+20*0.368, kPa(), 1.5, "63 % of the way after one time constant")
	ci.SetSkew(Skew{})
	assert.Equal(t, Skew{}, ci.Skew())
}

// One reference feeds several sensors: tied to the battery, all of them read high; a
// broken wire behind the ECU leaves the ECU's own end good.
func TestAReferenceSeenFromTheECU(t *testing.T) {
	c := petrel(t)
	c.Driver.Key = KeyOn
	c.Step(20 * time.Millisecond)
	r, _ := c.Rail("sensor-5v-a")
	r.SetWiring(Wiring{State: Open})
	c.Step(20 * time.Millisecond)
	assert.Zero(t, r.Volts())
	assert.InDelta(t, 5, r.SourceVolts(), 0.01)
	r.SetWiring(Wiring{State: ShortToGround})
	c.Step(20 * time.Millisecond)
	assert.Zero(t, r.SourceVolts())
}
