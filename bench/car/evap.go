package car

import "math"

// evap is tank, canister, purge and vent valve.
type evap struct {
	purgeGPS float64
	tankKPa  float64 // over the outside
	ventOpen float64 // 0..1
}

// valve is how far a valve is open: as commanded unless it is stuck, 0..1.
func (w *wear) valve(p int, commanded float64) float64 {
	if v := w.parts[p].value; v != free {
		return v / 100
	}
	return commanded
}

// vapour moves what is purged and the tank's pressure: gas goes out through the
// purge valve into the manifold, choked or not as through any orifice, and comes
// in through vent and leaks; the fuel adds some vapour of its own.
func (c *Car) vapour() {
	s := &c.spec.Engine.Evap
	if s.PurgeMM2 <= 0 {
		return
	}
	purge := 0.0
	if c.on[loadPurge] {
		purge = c.Actuators.PurgePct / 100
	}
	purge = c.valve(partPurgeValve, min(purge, 1))
	shut := 1.0
	if c.on[loadVent] {
		shut = 0
	}
	c.ventOpen = c.valve(partVentValve, shut)

	outside := c.baroKPa()
	p := outside + c.tankKPa
	t := kelvin + c.ambientC
	c.purgeGPS = 0
	if purge > 0 && c.manifold < p {
		psi, _ := c.psiAt(c.manifold / p)
		c.purgeGPS = float64(purge*s.PurgeMM2*1e-6*p*1000) / math.Sqrt(float64(gasR*t)) * psi * 1000
	}
	// Small pressure differences: Bernoulli, with a usual coefficient of 0.7 for
	// the sharp edge of a leak.
	d := c.is(partTankLeak)
	area := float64(c.ventOpen*s.VentMM2) + float64(0.7*math.Pi/4*d*d)
	rho := float64(p*1000) / float64(gasR*t)
	space := max(s.SpaceL+float64(c.spec.Engine.TankL*(1-c.fuelPct/100)), 1)
	kPaPerG := p / float64(rho*space) // 1 kg/m3 is 1 g/l
	rise := float64((float64(s.BoilKPaPMn/60) - float64(c.purgeGPS*kPaPerG)) * h)
	// Closed form over the step for what comes in: with the vent open it is quick.
	next := c.tankKPa + rise
	in := float64(area * 1e-6 * math.Sqrt(float64(2*rho*math.Abs(next)*1000)) * 1000 * kPaPerG * h)
	c.tankKPa = max(slow(next, in), -20)
}
