package car

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func wear1(t testing.TB, c *Car, name string, v float64) *Part {
	t.Helper()
	p, ok := c.Part(name)
	require.True(t, ok, name)
	p.Set(v)
	return p
}

// A leak of 1 mm2 effective area passes 0.2392 g/s of choked air at 101.325 kPa and
// 20 degC ("Internal Combustion Engine Fundamentals", 1988, appendix C), and the
// air-mass sensor sees none of it.
func TestAVacuumLeakIsAirThatNobodyMeasures(t *testing.T) {
	c := petrel(t)
	c.Truth.Set(c.at.Baro, 101.325)
	c.Soak(20, 20)
	c.manifold = 30
	wear1(t, c, "vacuum-leak", 10)
	c.breathe()
	assert.InDelta(t, 2.392, c.leakK*psiChoked*1000, 0.01)
	c.fill(0, 600)
	assert.InDelta(t, c.flowK*psiChoked*1000, c.airIn, 1e-9, "metered air only")
}

// Purge through 1.5 mm2, choked: 1.5 x 0.2392 g/s at 20 degC (the same book). A leak of
// 1 mm at 1.5 kPa under the outside, coefficient 0.7, density 1.2 kg/m3: Bernoulli,
// 0.7 x pi/4 x 1e-6 x sqrt(2 x 1.2 x 1500) = 33 mg/s, into about 41 l of gas (49 g):
// the pressure comes back at 0.068 kPa/s.
func TestPurgeAndTankLeak(t *testing.T) {
	c := petrel(t)
	c.Truth.Set(c.at.Baro, 101.325)
	c.Soak(20, 20)
	c.manifold = 30
	c.Actuators.PurgePct, c.Actuators.VentClosed = 100, true
	c.on[loadPurge], c.on[loadVent] = true, true
	c.vapour()
	assert.InDelta(t, 1.5*0.2392, c.purgeGPS, 0.004)
	assert.Zero(t, c.ventOpen)

	c.on[loadPurge] = false
	wear1(t, c, "tank-leak", 1)
	c.tankKPa = -1.5
	for range 20 {
		c.vapour()
	}
	assert.InDelta(t, 0.068, (c.tankKPa+1.5)/(20*h), 0.006, "kPa/s")
	c.on[loadVent] = false
	for range 200 {
		c.vapour()
	}
	assert.InDelta(t, 0, c.tankKPa, 0.02, "the vent lets air in")
}

// Flow through an injector goes with the root of the pressure (Bernoulli; [AH]).
func TestRailPressureAndInjectors(t *testing.T) {
	full, half := petrel(t), petrel(t)
	for _, c := range []*Car{full, half} {
		for k := range 8 {
			c.on[loadInjector+k], c.on[loadCoil+k] = true, true
		}
		c.Actuators.FuelMg = [2]float64{10, 10}
		c.omega, c.airMg, c.batteryV, c.on[loadPump] = 60, 150, 13.5, true
	}
	for range 2000 {
		full.pressRail()
	}
	assert.InDelta(t, full.spec.Engine.RailKPa, full.railKPa, 1)
	wear1(t, half, "fuel-pump", 100*190.0/650)
	for range 2000 {
		half.pressRail()
	}
	assert.InDelta(t, 190, half.railKPa, 2, "half the pressure")
	for range 2000 { // until the wall is wet
		for _, c := range []*Car{full, half} {
			c.dose()
			c.inject(0, math.Sqrt(c.railKPa/c.spec.Engine.RailKPa))
		}
	}
	assert.InDelta(t, 1/math.Sqrt2, half.fuelMg[0]/full.fuelMg[0], 0.01)
}

// One injector of four without fuel leaves a quarter of the bank's oxygen: the sensor
// sees lambda 4/3. One coil without spark does the same.
func TestADeadCylinderMakesItsBankLean(t *testing.T) {
	for _, dead := range []int{loadInjector + 2, loadCoil + 2} {
		c := petrel(t)
		for k := range 8 {
			c.on[loadInjector+k], c.on[loadCoil+k] = true, true
		}
		c.on[dead] = false
		c.airMg, c.omega = 147, 60
		c.Actuators.FuelMg = [2]float64{10 / 1.012, 10 / 0.992}
		for range 5000 {
			c.dose()
			c.inject(0, 1)
			c.inject(1, 1)
			c.sparkF = 1
			c.mixture()
			c.exhaust()
		}
		assert.InDelta(t, 4.0/3, c.exhaustLag[0], 0.02)
		assert.InDelta(t, 1, c.exhaustLag[1], 0.02, "the other bank is good")
		assert.Zero(t, c.power[2], "cylinder 3 gives nothing")
		assert.InDelta(t, 7.0/8, c.mix, 0.02)
	}
}

// Ethanol needs 8.95 to 9.0 kg of air a kilogram of fuel, petrol 14.7 (handbook values):
// half of each, 11.8.
func TestStoichiometricRatioOfMixedFuel(t *testing.T) {
	c := petrel(t)
	wear1(t, c, "ethanol", 50)
	c.breathe()
	assert.InDelta(t, 11.83, c.stoich, 0.05)
}

// A stuck-open thermostat settles where heat and loss are equal, T = T_amb + Q/G: 6 kW
// and 150 W/K give 60 degC at 20 degC ("Internal Combustion Engine Fundamentals",
// lumped).
func TestAStuckThermostatSettlesWhereHeatAndLossMeet(t *testing.T) {
	c := petrel(t)
	spec := &Spec{Engine: c.spec.Engine, Cooling: c.spec.Cooling, Supply: c.spec.Supply, Driveline: c.spec.Driveline}
	spec.Cooling.LossWPerK, spec.Cooling.StillWPerK, spec.Cooling.WindWPerK = 20, 130, 0
	c.spec = spec
	c.Soak(20, 20)
	wear1(t, c, "thermostat", 100)
	c.running, c.airCyl = true, 100
	c.fuelGPS = 6000 / spec.Cooling.FuelShare / spec.Engine.FuelMJPerKg / 1000
	for range 1_000_000 {
		c.warm()
	}
	assert.InDelta(t, 60, c.coolantC, 0.5)
}

// Starter current with 14 mohm more in its way: (12.7 - 1) V over 34 mohm at standstill,
// Ohm's law.
func TestResistanceInTheStarterCircuit(t *testing.T) {
	for _, name := range []string{"starter-resistance", "engine-ground", "battery-resistance"} {
		c := petrel(t)
		c.chargePct = 100
		wear1(t, c, name, 14)
		c.on[loadStarter], c.relayIn, c.batteryV = true, true, 12
		c.feed()
		assert.InDelta(t, 11.7/0.034, c.starterA, 1, name)
	}
}

// The parking brake of 6000 N holds the car against the engine through a slipping
// clutch, and a worn clutch slips where a good one does not: 620 N m against 26 %.
func TestClutchAndParkingBrake(t *testing.T) {
	c := petrel(t)
	c.gear, c.ratio = 1, c.ratioOf(1)
	c.omega = 100
	c.Driver.ParkingBrake = true
	c.clutchPct = 55
	c.roll(h, 100, 20)
	assert.Zero(t, c.speed, "it does not move")
	assert.Greater(t, c.slip(), 800.0)
	good := c.clutchHolds()
	wear1(t, c, "clutch-lining", 26)
	assert.InDelta(t, 0.26, c.clutchHolds()/good, 1e-9)
	c.clutchPct = 100
	assert.Zero(t, c.clutchHolds())
	wear1(t, c, "clutch-drag", 60)
	assert.InDelta(t, 60, c.clutchHolds(), 1e-9)
}

func TestPartsKeepTheirRange(t *testing.T) {
	c := petrel(t)
	for _, n := range c.PartNames() {
		p, ok := c.Part(n)
		require.True(t, ok, n)
		assert.Equal(t, n, p.Info.Name)
		assert.True(t, p.Sound())
		p.Set(math.Inf(1))
		assert.InDelta(t, p.Info.Max, p.Value(), 1e-9)
		p.Mend()
		assert.True(t, p.Sound(), n)
	}
	_, ok := c.Part("injector-flow-9")
	assert.False(t, ok)
}

// Whatever is worn, the numbers stay finite.
func TestNoWornPartBreaksTheModel(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := petrel(t)
		names := c.PartNames()
		for range rapid.IntRange(1, 6).Draw(rt, "parts") {
			p, _ := c.Part(rapid.SampledFrom(names).Draw(rt, "part"))
			p.Set(rapid.Float64Range(p.Info.Min, p.Info.Max).Draw(rt, "value"))
		}
		c.Driver.Key = KeyStart
		c.Actuators = Actuators{StarterRelay: true, FuelPump: true, Throttle: true, ThrottlePct: 20, Spark: true, SparkDeg: 10,
			FuelMg: [2]float64{30, 30}, PurgePct: 50, VentClosed: true, Charge: true, LambdaHeaters: true, Fan: true}
		c.Step(3 * time.Second)
		for _, i := range c.Truth.Infos() {
			r, _ := c.Truth.Lookup(i.Name)
			v := c.Truth.Get(r)
			require.False(rt, math.IsNaN(v) || math.Abs(v) > 20000, "%s is %g", i.Name, v)
		}
	})
}
