package car

import (
	"math"

	"sawhorse/bench/car/exact"
)

// Positions of an automatic gearbox's lever.
const (
	SelectorP = iota
	SelectorR
	SelectorN
	SelectorD
)

var selectorNames = [...]string{SelectorP: "P", SelectorR: "R", SelectorN: "N", SelectorD: "D"}

// AutomaticSpec holds torque converter, planetary gears and their hydraulics. The
// ratios themselves stand beside it, as those of any gearbox.
type AutomaticSpec struct {
	// Capacity is the converter's torque at the pump wheel over its squared speed,
	// in 1e-6 N m s2, and TorqueRatio the turbine's torque over the pump wheel's,
	// both by speed ratio 0 to 1, [AH].
	Capacity    exact.Curve `yaml:"capacity"`
	TorqueRatio exact.Curve `yaml:"torque_ratio"`
	// OverrunShare is the capacity with the turbine driving, against that with the
	// engine driving at the reverse speed ratio.
	OverrunShare float64 `yaml:"overrun_share"`
	TurbineKgM2  float64 `yaml:"turbine_kg_m2"`
	TurbineNM    float64 `yaml:"turbine_drag_nm"`
	LockupNM     float64 `yaml:"lockup_nm"`   // torque of the lock-up clutch
	LockupS      float64 `yaml:"lockup_s"`    // it takes to close
	ElementNM    float64 `yaml:"elements_nm"` // torque that clutches and brakes of a gear carry
	EngageS      float64 `yaml:"engage_s"`    // they take to close from neutral
	ShiftS       float64 `yaml:"shift_s"`     // they take from one gear to the next
	// Solenoids are the states of the two shift valves, a and b, in each gear.
	Solenoids [][2]bool `yaml:"solenoids"`
	PawlN     float64   `yaml:"pawl_n"` // force that the pawl of P holds
	// FluidKJPerK is the heat that the fluid takes, FluidWPerK what goes into the
	// coolant.
	FluidKJPerK float64 `yaml:"fluid_kj_per_k"`
	FluidWPerK  float64 `yaml:"fluid_w_per_k"`
}

// automatic is the state of an automatic gearbox.
type automatic struct {
	selector int
	turbine  float64 // rad/s
	element  float64 // closed share of the gear's clutches and brakes, 0..1
	closing  float64 // their closing in a second
	lockup   float64 // closed share of the lock-up clutch, 0..1
	fluidC   float64
	lossW    float64
}

// Automatic reports whether the car has an automatic gearbox.
func (s *Spec) Automatic() bool { return s.Driveline.Automatic != nil }

// moveSelector moves the lever: out of P only with the brake pressed and the key
// on, as the shift lock wants it.
func (c *Car) moveSelector() {
	want := c.Driver.Selector
	if c.selector == SelectorP && want != SelectorP && (c.brakePct < 5 || c.Driver.Key < KeyOn) {
		return
	}
	c.selector = want
}

// engage moves the hydraulics: the lever's valve decides about P, R, N and D, and
// in D the solenoids' valves about the gear.
func (c *Car) engage() {
	s := c.spec.Driveline.Automatic
	want := 0
	switch c.selector {
	case SelectorR:
		want = -1
	case SelectorD:
		want = c.valves(s)
	}
	pressed := c.rpm() > 300 // the pump sits on the converter's shell
	if !pressed {
		c.element, c.lockup = max(c.element-float64(h*2), 0), 0
	}
	if want != c.gear {
		// From one gear to the next the elements overlap; from neutral they fill.
		c.element, c.closing = 0, 1/s.EngageS
		if c.gear > 0 && want > 0 {
			c.element, c.closing = 0.25, 0.75/s.ShiftS
		}
		c.gear, c.ratio = want, c.ratioOf(want)
	}
	if pressed && c.gear != 0 {
		c.element = min(c.element+float64(c.closing*h), 1)
	}
	goal := 0.0
	if pressed && c.on[loadLockup] && c.gear > 0 {
		goal = 1
	}
	step := h / s.LockupS
	c.lockup = min(max(goal, c.lockup-step), c.lockup+step)
}

// valves is the gear that the shift valves make; one without current rests, and
// one that sticks does not care.
func (c *Car) valves(s *AutomaticSpec) int {
	a := c.valve(partShiftValveA, share(c.on[loadShiftA])) > 0.5
	b := c.valve(partShiftValveB, share(c.on[loadShiftB])) > 0.5
	for i, v := range s.Solenoids {
		if v == [2]bool{a, b} {
			return i + 1
		}
	}
	return 0
}

func share(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// pressure is the line pressure against a full one: the current in its solenoid
// lowers it.
func (c *Car) pressure() float64 {
	p := c.share100(partLinePressure)
	if c.on[loadPressure] {
		p *= 1 - min(max(c.Actuators.EasePct, 0), 90)/100
	}
	return p
}

// converter is the torque of the converter's pump wheel, negative when the wheels
// drive, and what the stator adds at the turbine.
func (c *Car) converter(pump, turbine float64) (nm, stator float64) {
	s := c.spec.Driveline.Automatic
	if pump > 1 && turbine <= pump {
		nu := max(turbine, 0) / pump
		nm = float64(s.Capacity.At(nu) * 1e-6 * pump * pump)
		return nm, float64((s.TorqueRatio.At(nu) - 1) * nm)
	}
	if turbine > 1 {
		nu := max(pump, 0) / turbine
		return -float64(s.OverrunShare * s.Capacity.At(nu) * 1e-6 * turbine * turbine), 0
	}
	return 0, 0
}

// rollAutomatic moves crankshaft, turbine and car by dt. Converter and lock-up
// clutch join the first two, the gear's elements the others. As in a clutch, each
// carries what makes both of its sides equal by the end of the step, or what it
// can; so a shift slips and a lock-up sticks without states of their own.
func (c *Car) rollAutomatic(dt, drive, drag float64) {
	s, a := &c.spec.Driveline, c.spec.Driveline.Automatic
	j, jt := c.spec.Engine.InertiaKgM2, a.TurbineKgM2
	push, hold := c.resistance()
	if c.selector == SelectorP && math.Abs(c.speed) < 1 {
		hold += a.PawlN
	}
	k := c.ratio / s.WheelM // rad/s of the turbine per m/s
	pump := slow(c.omega+float64(drive*dt)/j, float64(drag*dt)/j)
	turbine := slow(c.turbine, float64(a.TurbineNM*dt)/jt)
	rolling := slow(c.speed+float64(push*dt)/s.MassKg, float64(hold*dt)/s.MassKg)

	fluid, stator := c.converter(c.omega, c.turbine)
	lock := float64(c.lockup * a.LockupNM * c.share100(partLockupLining))
	most1 := math.Abs(fluid) + lock
	most2 := 0.0
	if c.ratio != 0 {
		most2 = float64(c.element * a.ElementNM * c.pressure())
	}
	// Slips of both, and what a torque in one does to them, over dt.
	slip1, slip2 := (pump-turbine)/dt, (turbine-float64(k*rolling))/dt
	own1, own2, cross := 1/j+1/jt, 1/jt+float64(k*k)/s.MassKg, 1/jt
	det := float64(own1*own2) - float64(cross*cross)
	t1 := (float64(own2*slip1) + float64(cross*slip2)) / det
	t2 := (float64(own1*slip2) + float64(cross*slip1)) / det
	extra := 0.0
	if t2 > most2 || t2 < -most2 {
		t2 = min(max(t2, -most2), most2)
		t1 = (slip1 + float64(cross*t2)) / own1
	}
	if t1 > most1 || t1 < -most1 {
		if t1 > 0 {
			extra = stator
		}
		t1 = min(max(t1, -most1), most1)
		t2 = (slip2 + float64(cross*(t1+extra))) / own2
		t2 = min(max(t2, -most2), most2)
	}
	force := float64(t2 * k)
	if force*c.speed > 0 {
		force *= s.Efficiency
	}
	push += force
	c.clutchNM = t1
	c.lossW = max(float64(t1*c.omega)-float64((t1+extra)*c.turbine), 0)
	c.omega = max(slow(c.omega+float64((drive-t1)*dt)/j, float64(drag*dt)/j), 0)
	c.turbine = slow(c.turbine+float64((t1+extra-t2)*dt)/jt, float64(a.TurbineNM*dt)/jt)
	c.speed = slow(c.speed+float64(push*dt)/s.MassKg, float64(hold*dt)/s.MassKg)
}

// warmFluid moves the fluid's temperature: the converter's loss comes in, the
// cooler in the radiator brings it to the coolant's.
func (c *Car) warmFluid() {
	a := c.spec.Driveline.Automatic
	out := float64(a.FluidWPerK * (c.fluidC - c.coolantC))
	c.fluidC += float64((c.lossW-out)*h) / (a.FluidKJPerK * 1000)
}

// publishAutomatic writes the true signals of an automatic gearbox.
func (c *Car) publishAutomatic() {
	t := c.Truth
	t.Set(c.at.Selector, float64(c.selector))
	t.SetBool(c.at.ParkNeutral, c.selector == SelectorP || c.selector == SelectorN)
	t.Set(c.at.Turbine, math.Abs(c.turbine)*(30/math.Pi))
	t.Set(c.at.Output, float64(c.speed*c.spec.Driveline.Final/c.spec.Driveline.WheelM)*(30/math.Pi))
	t.Set(c.at.ConverterSlip, (c.omega-math.Abs(c.turbine))*(30/math.Pi))
	t.Set(c.at.Lockup, c.lockup*100)
	t.Set(c.at.Fluid, c.fluidC)
}
