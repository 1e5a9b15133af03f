package car

import (
	"math/rand/v2"
	"time"

	"sawhorse/bench/chance"
	"sawhorse/bench/signal"
)

// StepTime is the model's step. Inside it the manifold, the crank and the wheels
// move in substeps.
const StepTime = 5 * time.Millisecond

const (
	h        = 0.005 // StepTime in seconds
	substeps = 2
)

// Car is one stand-in car. It belongs to one loop.
type Car struct {
	// Truth holds every true signal; conditions, metrics and plots read it.
	Truth *signal.Table
	at    truthRefs
	// Driver is what the driver wants.
	Driver Driver
	// Actuators is what the ECUs command.
	Actuators Actuators

	spec       *Spec
	circuits   []Circuit
	connectors []*Connector
	rails      []*Rail
	loads      [loadCount]*Circuit
	contacts   [loadInjector]*Rail // behind the contacts of relays
	swaps      [][2]*Circuit
	published  uint64     // how often the pins have begun anew
	moving     []*Circuit // those that do not wait until somebody looks
	unsorted   bool       // moving is to be found anew
	on         powered
	free       []*Circuit    // loads that units switch themselves
	left       time.Duration // of a Step that was no multiple of StepTime

	// Driver's position of things.
	clutchPct, acceleratorPct, brakePct float64
	gear                                int
	ratio                               float64 // crank turns per wheel turn, 0 in neutral

	wear
	engine
	evap
	supply
	thermal
	automatic
	speed float64 // m/s
}

// New builds a car as it stands there before the first turn of the key: key off,
// neutral or P, parking brake set.
func New(spec *Spec, seed chance.Seed) *Car {
	c := &Car{spec: spec}
	c.Truth, c.at = newTruth()
	c.Driver = Driver{ParkingBrake: true, KeyCode: spec.Identity.KeyCode}
	for i := range spec.wiring.Rails {
		r := &Rail{car: c, spec: &spec.wiring.Rails[i]}
		r.from, _ = c.Rail(r.spec.From)
		c.rails = append(c.rails, r)
	}
	c.defineOwn()
	c.wear.init(spec)
	c.circuits = make([]Circuit, len(spec.wiring.Circuits))
	for i := range c.circuits {
		c.wire(&c.circuits[i], &spec.wiring.Circuits[i], seed)
	}
	con := &spec.Conditions
	if !spec.UnitsOnly() {
		c.engine.init(&spec.Engine, seed.For("car/combustion"))
	}
	c.chargePct, c.fuelPct = con.ChargePct, con.FuelPct
	c.Truth.Set(c.at.Baro, con.BaroKPa)
	c.manifold = con.BaroKPa
	c.Soak(con.AmbientC, con.CoolantC)
	c.batteryV = unitsOnlyV
	if !spec.UnitsOnly() {
		c.batteryV = spec.Supply.RestV.At(c.chargePct)
	}
	c.publish()
	return c
}

func (c *Car) wire(ci *Circuit, s *circuitSpec, seed chance.Seed) {
	ci.car, ci.spec, ci.kind = c, s, kindOf(&s.Element)
	ci.chance = seed.For("car/wire/" + s.Name)
	ci.supply, _ = c.Rail(s.Supply)
	ci.ground, _ = c.Rail(s.Ground)
	if s.Connector != "" {
		p, ok := c.Connector(s.Connector)
		if !ok {
			p = &Connector{name: s.Connector}
			c.connectors = append(c.connectors, p)
		}
		p.circuits = append(p.circuits, ci)
		ci.plug = p
	}
	ci.measures, _ = c.Truth.Lookup(s.Measures)
	switch {
	case s.Element.Pulses == nil:
	case ci.measures == c.at.CrankRate:
		ci.turns, ci.toothed = c.at.CrankTurn, true
	case ci.measures == c.at.CamRate:
		ci.turns, ci.toothed = c.at.CamTurn, true
	}
	ci.inspect()
	if s.Element.Load != nil && s.Drives == "" {
		c.free = append(c.free, ci)
	}
	for i, n := range loadNames {
		if n == s.Drives {
			c.loads[i] = ci
			if i < len(c.contacts) {
				c.contacts[i], _ = c.Rail(s.Contact)
			}
		}
	}
}

// Spec is the description the car was built from.
func (c *Car) Spec() *Spec { return c.spec }

// Circuit finds a circuit by name.
func (c *Car) Circuit(name string) (*Circuit, bool) {
	for i := range c.circuits {
		if c.circuits[i].spec.Name == name {
			return &c.circuits[i], true
		}
	}
	return nil, false
}

// CircuitNames lists the circuits.
func (c *Car) CircuitNames() []string {
	var list []string
	for i := range c.circuits {
		list = append(list, c.circuits[i].spec.Name)
	}
	return list
}

// Connector finds a plug by name.
func (c *Car) Connector(name string) (*Connector, bool) {
	for _, p := range c.connectors {
		if p.name == name {
			return p, true
		}
	}
	return nil, false
}

// Rail finds a supply or ground by name.
func (c *Car) Rail(name string) (*Rail, bool) {
	for _, r := range c.rails {
		if r.spec.Name == name {
			return r, true
		}
	}
	return nil, false
}

// Soak sets the temperatures as after standing: outside air, and an engine that
// still has the coolant's temperature.
func (c *Car) Soak(ambientC, coolantC float64) {
	c.ambientC, c.coolantC, c.oilC = ambientC, coolantC, coolantC
	c.intakeC = ambientC + float64((coolantC-ambientC)*0.1)
	c.fluidC = coolantC
	c.catalystC = max(ambientC, coolantC)
	c.sensorC = [4]float64{c.catalystC, c.catalystC, c.catalystC, c.catalystC}
	c.publish()
}

// Step moves the car by dt, in steps of StepTime; a rest is kept for the next
// call.
func (c *Car) Step(dt time.Duration) {
	c.left += dt
	for c.left >= StepTime {
		c.left -= StepTime
		c.step()
	}
}

func (c *Car) step() {
	if c.spec.UnitsOnly() {
		c.stand()
		return
	}
	c.moveDriver()
	c.feed()
	c.actuate()
	if c.spec.Automatic() {
		c.engage()
		c.warmFluid()
	}
	c.vapour()
	c.breathe()
	for range substeps {
		c.turn(h / substeps)
	}
	c.exhaust()
	c.warm()
	c.publish()
}

// publish writes the true signals and the rails, from which the pins follow.
func (c *Car) publish() {
	t := c.Truth
	c.engine.publish(t, &c.at)
	c.supply.publish(t, &c.at)
	c.thermal.publish(t, &c.at)
	t.SetBool(c.at.Running, c.running)
	t.Set(c.at.Spark, c.Actuators.SparkDeg)
	t.SetBool(c.at.FuelPump, c.on[loadPump])
	t.SetBool(c.at.Fan, c.on[loadFan])
	t.SetBool(c.at.MIL, c.on[loadMIL])
	t.SetBool(c.at.SecurityLamp, c.on[loadSecurity])
	t.Set(c.at.FuelLevel, c.fuelPct)
	if left := c.is(partTank); left != free {
		t.Set(c.at.FuelLevel, left)
	}
	t.Set(c.at.Purge, c.purgeGPS)
	t.Set(c.at.Tank, c.tankKPa)
	t.SetBool(c.at.Vent, c.ventOpen > 0)
	t.Set(c.at.PumpVolts, 0)
	if c.on[loadPump] {
		t.Set(c.at.PumpVolts, c.batteryV)
	}
	t.Set(c.at.ClutchSlip, c.slip())
	t.Set(c.at.Gear, float64(c.gear))
	if c.spec.Automatic() {
		c.publishAutomatic()
	}
	kmh := float64(c.speed * 3.6)
	t.Set(c.at.Vehicle, kmh)
	for _, r := range [...]signal.Ref{c.at.WheelFL, c.at.WheelFR, c.at.WheelRL, c.at.WheelRR} {
		t.Set(r, kmh)
	}
	keyOn := t.Is(c.at.KeyOn)
	for _, r := range c.rails {
		r.update(c.batteryV, keyOn)
	}
	c.publishPins()
}

// uneven is a random number around 0 with variance 1, from sums only: the usual
// normal generators call functions that differ between machines.
func uneven(r *rand.Rand) float64 {
	s := -2.0
	for range 4 {
		s += float64(r.Float64()) // each has variance 1/12
	}
	return float64(s * 1.7320508075688772)
}
