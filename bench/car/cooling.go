package car

import (
	"math"

	"sawhorse/bench/signal"
)

// thermal is everything that warms.
type thermal struct {
	ambientC, coolantC, oilC, intakeC, catalystC float64
	sensorC                                      [4]float64 // lambda sensors: b1s1 b1s2 b2s1 b2s2
}

// warm moves the temperatures. Coolant and metal are one lump, [ICEF]: a share
// of the fuel's power comes in, the thermostat lets the radiator take it.
func (c *Car) warm() {
	s, e := &c.spec.Cooling, &c.spec.Engine
	burnt := min(c.fuelGPS, c.airCyl/e.StoichRatio)
	in := 0.0
	if c.running {
		in = float64(s.FuelShare * burnt * e.FuelMJPerKg * 1000) // W
	}
	open := c.valve(partThermostat, min(max((c.coolantC-s.OpensC)/(s.FullC-s.OpensC), 0), 1))
	kmh := math.Abs(c.speed * 3.6)
	radiator := s.StillWPerK + float64(s.WindWPerK*min(kmh/100, 2))
	if c.fanTurns() {
		radiator += s.FanWPerK
	}
	radiator *= float64((1 - c.share100(partRadiator)) * c.share100(partWaterPump))
	g := s.LossWPerK + float64(open*radiator)
	c.coolantC += float64((in-float64(g*(c.coolantC-c.ambientC)))*h) / (s.HeatKJPerK * 1000)
	c.oilC += float64((c.coolantC - c.oilC) * h / s.OilLagS)

	soak := s.IntakeSoakPc / 100 / (1 + float64(c.airCyl*0.3) + float64(kmh*0.1))
	c.intakeC += float64((c.ambientC + float64(soak*(c.coolantC-c.ambientC)) - c.intakeC) * (h / 20))

	gas := c.ambientC
	if c.airCyl > 0.5 && c.running {
		gas = e.ExhaustC.At(c.airCyl)
	}
	c.catalystC += float64((gas - c.catalystC) * h / e.CatalystLagS)
	for i := range c.sensorC {
		tip := float64(0.5 * (gas + c.ambientC))
		if c.on[loadHeater+i] {
			tip = max(gas, 0) + 350
		}
		c.sensorC[i] += float64((tip - c.sensorC[i]) * h / e.LambdaHeaterS)
	}
}

func (c *Car) fanTurns() bool { return c.on[loadFan] && c.is(partFanMotor) > 0.5 }

func (t *thermal) publish(s *signal.Table, at *truthRefs) {
	s.Set(at.Coolant, t.coolantC)
	s.Set(at.Oil, t.oilC)
	s.Set(at.IntakeAir, t.intakeC)
	s.Set(at.Ambient, t.ambientC)
	s.Set(at.Catalyst, t.catalystC)
}
