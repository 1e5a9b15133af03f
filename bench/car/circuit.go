package car

import (
	"math"
	"math/rand/v2"

	"sawhorse/bench/car/exact"
	"sawhorse/bench/signal"
)

// ClampV is the highest voltage a pin can show: the ECU's input protection.
const ClampV = 5.1

// PulseMaxOhm is the series resistance beyond which pulses no longer reach the
// thresholds of an input.
const PulseMaxOhm = 3000

// kelvin is 0 degC.
const kelvin = 273.15

// Rail is a supply or ground that circuits share. What happens to it happens to
// all of them.
type Rail struct {
	car    *Car
	spec   *railSpec
	wiring Wiring
	from   *Rail // nil for one fed by battery or key
	volts  float64
}

// Fuse is the rating in A of a rail that is a fuse; 0 for any other.
func (r *Rail) Fuse() float64 { return r.spec.FuseA }

// SetWiring breaks or mends the rail: Open loses it, ShortToGround pulls it
// down, ShortToBattery pulls it up.
func (r *Rail) SetWiring(w Wiring) {
	r.car.settlePins()
	r.wiring = w
}

// Wiring is the rail's state.
func (r *Rail) Wiring() Wiring { return r.wiring }

// SourceVolts is the voltage at the ECU's end of a reference: what its regulator
// itself sees, even where the wire behind it is broken.
func (r *Rail) SourceVolts() float64 {
	if r.wiring.State == Open {
		return r.spec.Volts
	}
	return r.volts
}

// Supply is the rail that feeds the element, nil without one.
func (c *Circuit) Supply() *Rail { return c.supply }

// Volts is the voltage of a supply rail; 0 for a ground.
func (r *Rail) Volts() float64 { return r.volts }

func (r *Rail) update(battery float64, keyOn bool) {
	v := battery
	switch {
	case r.from != nil:
		v = r.from.volts
	case r.spec.From == "" || (r.spec.From == "key" && !keyOn):
		v = 0
	}
	if r.spec.Volts > 0 {
		v = min(r.spec.Volts, max(v-0.5, 0)) // a regulator drops half a volt
	}
	switch r.wiring.State {
	case Open, ShortToGround:
		v = 0
	case ShortToBattery:
		v = battery
	}
	r.volts = v
}

func (r *Rail) lost() bool { return r != nil && r.wiring.State == Open }

// Connector is a plug; the circuits in it open together.
type Connector struct {
	name      string
	unplugged bool
	circuits  []*Circuit
}

// Name is the plug's name.
func (c *Connector) Name() string { return c.name }

// Unplug pulls the plug off; Plug puts it back.
func (c *Connector) Unplug() { c.set(true) }

// Plug puts the plug back on.
func (c *Connector) Plug() { c.set(false) }

func (c *Connector) set(unplugged bool) {
	for _, ci := range c.circuits {
		ci.settle()
	}
	c.unplugged = unplugged
	for _, ci := range c.circuits {
		ci.inspect()
	}
}

// Plugged reports whether the plug is on.
func (c *Connector) Plugged() bool { return !c.unplugged }

// Circuits lists the circuits in the plug.
func (c *Connector) Circuits() []*Circuit { return append([]*Circuit(nil), c.circuits...) }

// Circuit is one signal from its element to the ECU's pin, or one load from the
// ECU's driver to the supply.
type Circuit struct {
	car       *Car // nil for one that stands for a circuit which the car lacks
	seen      uint64
	spec      *circuitSpec
	measures  signal.Ref
	turns     signal.Ref // how far the toothed wheel has turned
	toothed   bool
	skew      skewed
	plug      *Connector // nil without one
	supply    *Rail      // nil without one
	ground    *Rail      // nil for the body's own
	wiring    Wiring
	commanded bool // a load's driver is on
	wanted    bool // the same of a load that a unit switches itself

	volts, hertz float64
	sound        soundPin
	kind         elementKind
	whole        bool // nothing is wrong with wire and plug
	turn         float64
	amps         float64 // through a load's driver

	chance   *rand.Rand
	openNow  bool
	changeIn float64 // seconds until an intermittent wire changes
}

// Name is the circuit's name, such as coolant-sensor.
func (c *Circuit) Name() string { return c.spec.Name }

// Text says in a few words what the circuit does.
func (c *Circuit) Text() string { return c.spec.Text }

// Connector names the plug the circuit runs through; "" if none.
func (c *Circuit) Connector() string { return c.spec.Connector }

// Volts is the voltage at the ECU's pin.
func (c *Circuit) Volts() float64 {
	c.settle()
	return c.volts
}

// Hertz is the rate of the pulses at the pin; 0 for a circuit without.
func (c *Circuit) Hertz() float64 {
	c.settle()
	return c.hertz
}

// Turn is how far a toothed wheel has turned since its gap, 0..1; 0 while no
// pulses come, and for a circuit without a gap.
func (c *Circuit) Turn() float64 {
	c.settle()
	if c.hertz == 0 {
		return 0
	}
	return c.turn
}

// Wiring is the state of the signal wire.
func (c *Circuit) Wiring() Wiring { return c.wiring }

// SetWiring breaks or mends the signal wire; w must pass its Check.
func (c *Circuit) SetWiring(w Wiring) {
	c.settle()
	c.wiring = w
	c.openNow, c.changeIn = false, 0
	c.inspect()
	c.car.unsorted = true
}

// open reports whether the signal wire is interrupted at this moment.
func (c *Circuit) open() bool {
	return c.plug != nil && c.plug.unplugged || c.wiring.State == Open ||
		c.wiring.State == Intermittent && c.openNow
}

// flicker moves an intermittent wire: open and closed times are uniform between
// half and one and a half of their means.
func (c *Circuit) flicker(dt float64) {
	c.changeIn -= dt
	if c.changeIn > 0 {
		return
	}
	c.openNow = !c.openNow
	mean := float64(c.wiring.PeriodS * c.wiring.OpenPct / 100)
	if !c.openNow {
		mean = c.wiring.PeriodS - mean
	}
	c.changeIn = float64(mean * (0.5 + float64(c.chance.Float64())))
}

// elementKind is what stands at a circuit's end, as far as its pin is worked out another
// way.
type elementKind uint8

const (
	kindSensor elementKind = iota // a voltage behind a resistance
	kindPulses
	kindLoad
)

func kindOf(e *elementSpec) elementKind {
	switch {
	case e.Load != nil:
		return kindLoad
	case e.Pulses != nil:
		return kindPulses
	}
	return kindSensor
}

// inspect finds out whether anything is wrong with wire and plug.
func (c *Circuit) inspect() {
	c.whole = c.wiring.State == Intact && (c.plug == nil || !c.plug.unplugged)
}

// update works out the pin from the true value, whatever is wrong.
func (c *Circuit) update(truth *signal.Table, battery, dt float64) {
	if c.wiring.State == Intermittent {
		c.flicker(dt)
	}
	if c.spec.Element.Load != nil {
		c.updateLoad()
		return
	}
	x := truth.Get(c.measures)
	if c.skew.on {
		x = c.skew.of(x, dt)
	}
	if p := c.spec.Element.Pulses; p != nil {
		if c.toothed {
			c.turn = truth.Get(c.turns)
		}
		c.updatePulses(math.Abs(float64(x * p.PerUnit)))
		return
	}
	in := c.spec.Input
	switch {
	case c.wiring.State == ShortToGround && !c.open():
		c.volts = 0
		return
	case c.wiring.State == ShortToSupply && !c.open():
		c.volts = 5
		return
	case c.wiring.State == ShortToBattery && !c.open():
		c.volts = c.clamp(battery)
		return
	case c.open():
		c.volts = in.PullV
		return
	}
	u, r := c.source(x)
	if c.wiring.State == Resistive {
		r += c.wiring.Ohm
	}
	// Two sources on one node: the element through r, the pull through its own.
	c.volts = c.clamp(float64(float64(u*in.PullOhm)+float64(in.PullV*r)) / (in.PullOhm + r))
}

// soundPin is the pin of a circuit with nothing wrong, as it was worked out last: its
// voltage follows from the true value and the supply alone, and many stay the same.
type soundPin struct {
	x, supply uint64 // bits of the two
	known     bool
	volts     float64
}

// updateSound is the pin of a circuit with nothing wrong.
func (c *Circuit) updateSound(x float64) {
	supply := 0.0
	if c.supply != nil {
		supply = c.supply.volts
	}
	s := &c.sound
	if xb, sb := math.Float64bits(x), math.Float64bits(supply); !s.known || s.x != xb || s.supply != sb {
		u, r := c.source(x)
		in := c.spec.Input
		s.x, s.supply, s.known = xb, sb, true
		s.volts = c.clamp(float64(float64(u*in.PullOhm)+float64(in.PullV*r)) / (in.PullOhm + r))
	}
	c.volts = s.volts
}

// clamp limits a pin to what its input protection lets through; inputs made for
// battery voltage pass it.
func (c *Circuit) clamp(v float64) float64 {
	if c.spec.Input.PullV > ClampV || (c.supply != nil && c.supply.spec.Volts == 0) {
		return v
	}
	return min(v, ClampV)
}

// openOhm stands for a path that is not there.
const openOhm = 1e12

// source is the element as a voltage behind a resistance. Without its ground an
// element drifts up to its supply; without supply it gives nothing.
func (c *Circuit) source(x float64) (u, ohm float64) {
	e := &c.spec.Element
	supply := 0.0
	if c.supply != nil {
		supply = c.supply.volts
	}
	switch {
	case e.NTC != nil:
		if c.ground.lost() {
			return 0, openOhm
		}
		t := max(x+kelvin, 1)
		return 0, float64(e.NTC.Ohm * exact.Exp(float64(e.NTC.BK*(1/t-1/(e.NTC.AtC+kelvin)))))
	case e.Ratio != nil:
		if c.ground.lost() {
			return supply, e.Ratio.Ohm
		}
		beyond := 0.0
		if c.skew.on {
			beyond = 0.3 // a sensor that has moved goes past its stops
		}
		f := (x - e.Ratio.From) / (e.Ratio.To - e.Ratio.From)
		f = min(max(f, -beyond), 1+beyond)
		v := min(max(e.Ratio.Volts[0]+float64(f*(e.Ratio.Volts[1]-e.Ratio.Volts[0])), 0), 5)
		return float64(v * (supply / 5)), e.Ratio.Ohm
	case e.HotWire != nil:
		if supply < 6 {
			return 0, openOhm
		}
		if c.ground.lost() {
			return supply, 1000
		}
		return math.Sqrt(e.HotWire.A + float64(e.HotWire.B*math.Sqrt(max(x, 0)))), 100
	case e.Switch != nil:
		if (x != 0) == e.Switch.ClosedWhen && !c.ground.lost() {
			return 0, 1
		}
		return 0, openOhm
	}
	if c.ground.lost() {
		return 0, openOhm
	}
	if c.supply != nil && supply < 1 {
		return 0, e.Source.Ohm
	}
	return x, e.Source.Ohm
}

// updateSoundPulses are the pulses of a circuit with nothing wrong.
func (c *Circuit) updateSoundPulses(truth *signal.Table) {
	if c.toothed {
		c.turn = truth.Get(c.turns)
	}
	c.hertz = math.Abs(float64(truth.Get(c.measures) * c.spec.Element.Pulses.PerUnit))
	c.volts = c.spec.Input.PullV / 2
	if c.supply != nil && c.supply.volts < 4 {
		c.hertz, c.volts = 0, c.spec.Input.PullV
	}
}

func (c *Circuit) updatePulses(hz float64) {
	c.hertz, c.volts = hz, c.spec.Input.PullV/2
	switch c.wiring.State {
	case ShortToGround:
		c.hertz, c.volts = 0, 0
	case ShortToSupply, ShortToBattery:
		c.hertz, c.volts = 0, c.spec.Input.PullV
	case Resistive:
		if c.wiring.Ohm > PulseMaxOhm {
			c.hertz = 0
		}
	}
	if c.open() || c.ground.lost() || (c.supply != nil && c.supply.volts < 4) {
		c.hertz, c.volts = 0, c.spec.Input.PullV
	}
}

// FloatV is where a driver's own test source holds the pin of a load that is not
// there, so that open and shorted to ground can be told apart.
const FloatV = 2.5

// updateSoundLoad is what updateLoad makes of a load with nothing wrong.
func (c *Circuit) updateSoundLoad() {
	switch {
	case c.supply == nil || c.supply.volts < 4:
		c.updateLoad()
	case c.commanded:
		c.volts, c.amps = 0, c.supply.volts/c.spec.Element.Load.Ohm
	default:
		c.volts, c.amps = c.supply.volts, 0
	}
}

// updateLoad is the pin of a low-side driver: at the supply while off, at ground
// while on; an open one floats while off.
func (c *Circuit) updateLoad() {
	w := c.wiring.State
	c.amps = 0
	switch {
	case c.open() || c.supply == nil || c.supply.volts < 4 || w == Resistive && c.wiring.Ohm > 20*c.spec.Element.Load.Ohm:
		c.volts = FloatV
		if c.commanded {
			c.volts = 0
		}
	case w == ShortToSupply || w == ShortToBattery:
		c.volts = c.supply.volts
	case c.commanded:
		ohm := c.spec.Element.Load.Ohm
		if w == Resistive {
			ohm += c.wiring.Ohm
		}
		c.volts, c.amps = 0, c.supply.volts/ohm
	case w == ShortToGround:
		c.volts = 0
	default:
		c.volts = c.supply.volts
	}
}

// Amps is the current through the driver of a load that is on.
func (c *Circuit) Amps() float64 {
	c.settle()
	return c.amps
}

// Command switches a load that no actuator of the car's engine or gearbox is.
func (c *Circuit) Command(on bool) { c.wanted = on }

// Element is what the circuit has at its end: ntc, ratio, hot_wire, pulses, source,
// switch, load, or driven for a load of the engine's or gearbox's own.
func (c *Circuit) Element() string {
	e := &c.spec.Element
	switch {
	case e.NTC != nil:
		return "ntc"
	case e.Ratio != nil:
		return "ratio"
	case e.HotWire != nil:
		return "hot_wire"
	case e.Pulses != nil:
		return "pulses"
	case e.Switch != nil:
		return "switch"
	case e.Load != nil && c.spec.Drives != "":
		return "driven"
	case e.Load != nil:
		return "load"
	}
	return "source"
}

// Commanded reports whether the driver of a load is on.
func (c *Circuit) Commanded() bool { return c.commanded }

// obeys reports whether a load works just as it is commanded.
func (c *Circuit) obeys() bool { return c != nil && c.whole && c.supply != nil && c.supply.volts >= 4 }

// works reports whether a load has current when its driver is on or off.
func (c *Circuit) works(commanded bool) bool {
	if c == nil {
		return commanded
	}
	c.commanded = commanded
	switch {
	case c.open(), c.supply != nil && c.supply.volts < 4:
		return false
	case c.wiring.State == ShortToGround:
		return true
	case c.wiring.State == ShortToSupply, c.wiring.State == ShortToBattery:
		return false
	case c.wiring.State == Resistive:
		return commanded && c.wiring.Ohm < c.spec.Element.Load.Ohm
	}
	return commanded
}

// settle works the pin out, unless that is done since the last step.
func (c *Circuit) settle() {
	if c.car != nil && c.seen != c.car.published {
		c.work()
	}
}

// work works the pin out. Nearly every circuit is sound in nearly every step, so that
// comes first. It stays a call of its own, so that settle becomes part of whoever looks.
//
//go:noinline
func (c *Circuit) work() {
	c.seen = c.car.published
	truth := c.car.Truth
	switch {
	case !c.whole, c.kind != kindLoad && (c.skew.on || c.ground.lost()):
		c.update(truth, c.car.batteryV, h)
	case c.kind == kindLoad:
		c.updateSoundLoad()
	case c.kind == kindPulses:
		c.updateSoundPulses(truth)
	default:
		c.updateSound(truth.Get(c.measures))
	}
}

// moves reports whether the pin has a course of its own.
func (c *Circuit) moves() bool { return c.wiring.State == Intermittent || c.skew.on }

// settlePins works out all pins.
func (c *Car) settlePins() {
	for i := range c.circuits {
		c.circuits[i].settle()
	}
}

// SetSkew makes the circuit's element tell something else; the zero value mends
// it. It has no meaning for a load.
func (c *Circuit) SetSkew(s Skew) {
	c.settle()
	c.skew = skewed{Skew: s, on: s != Skew{}}
	c.car.unsorted = true
}

// Skew is what is wrong with the circuit's element.
func (c *Circuit) Skew() Skew { return c.skew.Skew }

// Senses reports whether the circuit has a sensing element and not a load.
func (c *Circuit) Senses() bool { return c.spec.Element.Load == nil }
