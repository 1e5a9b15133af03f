package app

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/ecu/program"
	"sawhorse/bench/signal"
)

// data is a program that is data alone.
type data struct {
	base
	spec *program.Data
	mil  func() bool
	lamp signal.Ref

	reads    []dataReading
	heard    []dataHeard
	tests    []dataCode
	switches []dataOutput
	held     []held
	boot     bool
}

type dataReading struct {
	spec *program.Reading
	pin  *car.Circuit
	at   signal.Ref
}

type dataHeard struct{ reading, heard signal.Ref }

type dataCode struct {
	spec *program.Code
	pin  *car.Circuit
	mon  monitor
}

type dataOutput struct {
	spec         *program.Output
	pin          *car.Circuit
	shown, while signal.Ref
}

// FromData builds the program that the file of the unit of that name describes. The
// error has the place of the first name that the car does not know.
func FromData(name string, spec *program.Data, c *car.Car, codes Codes, nv NV) (Program, error) {
	d := &data{base: newBase(name, c, codes, nv), spec: spec, mil: lampOf(codes)}
	if err := d.whole(); err != nil {
		return nil, err
	}
	d.lamp = d.readings.Define("mil", "bool", "a code asks for the lamp")
	d.memory = spec.Keeps
	for _, l := range spec.Listens {
		d.listensTo(partner{name: l.Unit, lostCode: l.Lost, wrongCode: l.Wrong})
	}
	for _, h := range spec.Hears {
		d.heard = append(d.heard, dataHeard{d.readings.Define(h.Name, h.Unit, h.Text), d.hears(h.Name, h.Unit, h.Text)})
	}
	for _, bind := range []func() error{d.bindReadings, d.bindCodes, d.bindOutputs} {
		if err := bind(); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// circuit finds a circuit for a value of the file; wants are the elements that fit, none
// for all.
func (d *data) circuit(path, name string, wants ...string) (*car.Circuit, error) {
	c := d.want(name)
	if c == nil {
		return nil, d.spec.Unknown(path, name, "circuit of the car", d.car.CircuitNames())
	}
	if len(wants) > 0 && !slices.Contains(wants, c.Element()) {
		return nil, d.spec.Errorf(path, "the circuit %s is %s, want %s", name, elementWords[c.Element()], words(wants))
	}
	return c, nil
}

var elementWords = map[string]string{
	"ntc": "a temperature sensor", "ratio": "a sensor", "hot_wire": "an air-mass sensor", "pulses": "a sensor of pulses",
	"source": "a voltage", "switch": "a switch", "load": "a load", "driven": "a load of the engine's or gearbox's own (drives)",
}

func words(elements []string) string {
	var list []string
	for _, e := range elements {
		list = append(list, elementWords[e])
	}
	return strings.Join(list, " or ")
}

func (d *data) bindReadings() error {
	for i := range d.spec.Readings {
		r := &d.spec.Readings[i]
		pin, err := d.circuit(fmt.Sprintf("readings[%d].circuit", i), r.Circuit)
		if err != nil {
			return err
		}
		d.reads = append(d.reads, dataReading{r, pin, d.readings.Define(r.Name, r.Unit, r.Text)})
	}
	return nil
}

func (d *data) bindCodes() error {
	for i := range d.spec.Codes {
		c := &d.spec.Codes[i]
		var wants []string
		if c.Load != "" {
			wants = []string{"load", "driven"}
		}
		pin, err := d.circuit(fmt.Sprintf("codes[%d].circuit", i), c.Circuit, wants...)
		if err != nil {
			return err
		}
		d.tests = append(d.tests, dataCode{c, pin, newMonitor(d.codes, c.Code)})
	}
	return nil
}

func (d *data) bindOutputs() error {
	for i := range d.spec.Outputs {
		o := &d.spec.Outputs[i]
		pin, err := d.circuit(fmt.Sprintf("outputs[%d].circuit", i), o.Circuit, "load")
		if err != nil {
			return err
		}
		x := dataOutput{spec: o, pin: pin, shown: d.readings.Define(o.Shows, "bool", "output "+o.Name+" commanded")}
		if o.While != "" {
			x.while, _ = d.readings.Lookup(o.While)
		}
		d.switches = append(d.switches, x)
		d.outputs = append(d.outputs, o.Name)
	}
	return nil
}

// Control implements [Program].
func (d *data) Control(name string, value float64, active bool) {
	d.held = slices.DeleteFunc(d.held, func(h held) bool { return h.name == name })
	if active {
		d.held = append(d.held, held{name, value})
	}
}

// Boot implements [Program].
func (d *data) Boot(on bool) { d.boot = on }

// Step implements [Program].
func (d *data) Step(now time.Duration) {
	v, alive := d.supplied()
	on := d.keyOn()
	if !alive || !on && d.spec.Wakes == "key" {
		if d.on() {
			d.Restart()
			d.dark()
		}
		for i := range d.switches {
			d.switches[i].pin.Command(false)
		}
		return
	}
	key := car.KeyOff
	if on {
		key = car.KeyOn
	}
	d.upS += dt
	d.show(key, v)
	d.readings.SetBool(d.lamp, d.mil())
	for i := range d.reads {
		r := &d.reads[i]
		d.readings.Set(r.at, r.read())
	}
	for _, h := range d.heard {
		d.passOn(h.reading, h.heard)
	}
	d.drive()
	if d.upS > settleS && v > monitorsFromV {
		for i := range d.tests {
			d.tests[i].test(now, v)
		}
	}
	if on {
		d.listen(now, v)
	} else {
		d.ears.rest(d.readings)
	}
}

// read is what the program makes of a pin.
func (r *dataReading) read() float64 {
	var x float64
	switch r.pin.Element() {
	case "switch":
		if closed(r.pin) {
			x = 1
		}
	case "pulses":
		x = r.pin.Hertz()
	default:
		x = adc(r.pin.Volts())
	}
	switch {
	case len(r.spec.Curve) > 0:
		return r.spec.Curve.At(x)
	case r.spec.Scale != nil:
		x = float64(x * *r.spec.Scale)
	}
	return x + r.spec.Offset
}

// drive switches the outputs: as a tool holds them, else as the program wants.
func (d *data) drive() {
	for i := range d.switches {
		o := &d.switches[i]
		on := o.spec.While != "" && d.readings.Is(o.while)
		for _, h := range d.held {
			if h.name == o.spec.Name {
				on = h.value != 0
			}
		}
		on = on && !d.boot
		o.pin.Command(on)
		d.readings.SetBool(o.shown, on)
	}
}

// test looks at a circuit for what its code says.
func (c *dataCode) test(now time.Duration, batteryV float64) {
	v := adc(c.pin.Volts())
	if c.spec.Below != nil {
		c.mon.test(now, v < *c.spec.Below)
		return
	}
	if c.spec.Above != nil {
		c.mon.test(now, v > *c.spec.Above)
		return
	}
	s := seen(c.pin, batteryV)
	switch c.spec.Load {
	case "open":
		c.mon.test(now, s.open)
	case "shorted-low":
		if !s.on {
			c.mon.test(now, s.low)
		}
	case "shorted-high":
		if s.on {
			c.mon.test(now, s.high)
		}
	default:
		c.mon.test(now, s.open || s.low || s.high)
	}
}
