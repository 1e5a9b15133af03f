package car

import "math"

const (
	gravity    = 9.81  // m/s2
	airDensity = 1.184 // kg/m3 at 25 degC
)

// roll moves crankshaft and car by dt. drive and drag are the engine's torques:
// drag only ever slows. The clutch carries what makes both sides equal by the
// end of the step, or as much as the pedal lets it; so it slips, sticks and
// lets go without a state of its own.
func (c *Car) roll(dt, drive, drag float64) {
	s := &c.spec.Driveline
	j := c.spec.Engine.InertiaKgM2
	push, hold := c.resistance()
	c.clutchNM, c.carried = 0, 0
	free := slow(c.omega+float64(drive*dt)/j, float64(drag*dt)/j)
	if most := c.clutchHolds(); c.ratio != 0 && most > 0 {
		k := c.ratio / s.WheelM // rad/s of the input shaft per m/s
		rolling := slow(c.speed+float64(push*dt)/s.MassKg, float64(hold*dt)/s.MassKg)
		slip := free - float64(k*rolling)
		ease := 1/j + float64(k*k)/s.MassKg
		whole := slip / float64(dt*ease)
		c.clutchNM = min(max(whole, -most), most)
		if c.clutchNM == whole {
			c.carried = 1 / float64(j*ease)
		}
		force := float64(c.clutchNM * k)
		if force*c.speed > 0 {
			force *= s.Efficiency
		}
		push += force
	}
	c.omega = max(slow(c.omega+float64((drive-c.clutchNM)*dt)/j, float64(drag*dt)/j), 0)
	c.speed = slow(c.speed+float64(push*dt)/s.MassKg, float64(hold*dt)/s.MassKg)
}

// windS is how fast the springs of clutch and shafts take back a swing of the crank:
// a driveline in gear swings at some 2 to 8 Hz (common practice), firings come at 60 Hz
// and more, so that single ones move the crank alone.
const windS = 0.04

// wind moves the crank against the driveline by what the firing under way differs
// from the mean, as far as roll has spread that over the whole car.
func (c *Car) wind(dt float64) {
	uneven := float64(c.torque*(c.rough-1)) / c.spec.Engine.InertiaKgM2
	c.shake += float64(dt*uneven*c.carried) - float64(c.shake*min(dt/windS, 1))
}

// resistance is what the road and the brakes do to the car: a force with its
// sign, and one that only ever slows.
func (c *Car) resistance() (push, hold float64) {
	s := &c.spec.Driveline
	push = -float64(airDensity / 2 * s.DragM2 * c.speed * math.Abs(c.speed))
	hold = float64(s.Rolling*s.MassKg*gravity) + float64(s.BrakeN*c.brakePct/100) + c.is(partBrakeDrag)
	if c.Driver.ParkingBrake {
		hold += s.ParkingBrakeN
	}
	return push, hold
}

// clutchHolds is the most torque that the clutch carries.
func (c *Car) clutchHolds() float64 {
	s := &c.spec.Driveline
	return max(float64(s.ClutchNM*c.share100(partClutchLining)*s.Bite.At(c.clutchPct)), c.is(partClutchDrag))
}

// slip is the engine's speed over the gearbox input's, in rev/min.
func (c *Car) slip() float64 {
	if c.ratio == 0 || c.spec.Automatic() {
		return 0
	}
	shaft := float64(c.speed * c.ratio / c.spec.Driveline.WheelM)
	return float64((c.omega - shaft) * (30 / math.Pi))
}

// slow takes by from the size of v, at most to 0.
func slow(v, by float64) float64 {
	switch {
	case v > by:
		return v - by
	case v < -by:
		return v + by
	}
	return 0
}
