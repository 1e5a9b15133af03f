package app

import (
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/ecu/program"
	"sawhorse/bench/signal"
)

// dt is the step of every program, in seconds.
const dt = float64(car.StepTime) / float64(time.Second)

// lowestV is the supply below which no ECU runs.
const lowestV = 5.5

// Program is what an ECU does apart from diagnostics.
type Program interface {
	// Step runs the program once; call it every car.StepTime after the car has moved.
	Step(now time.Duration)
	// Restart is a reset of the ECU: everything but non-volatile memory is forgotten.
	Restart()
	// Readings is what the diagnostic server reports.
	Readings() *signal.Table
	// Heard is what the program hears of other ECUs: whoever carries their messages
	// fills it in.
	Heard() *signal.Table
	// Declared lists the names by which the unit's file may speak of the program.
	Declared() program.Names
	// Routine tells the program which service routine runs and in which step; an
	// empty step ends it.
	Routine(name, step string)
	// Control has the program hold an output at a value until it is given back.
	Control(name string, value float64, active bool)
	// Boot says that only the boot program runs: nothing is driven, nothing is sent.
	Boot(on bool)
}

// commonRefs are the readings that every program has.
type commonRefs struct {
	Powered signal.Ref `name:"powered" unit:"bool" text:"the ECU has supply and runs"`
	Key     signal.Ref `name:"key" text:"key: 0 off, 1 accessory, 2 on, 3 start"`
	Battery signal.Ref `name:"battery_v" unit:"V" text:"supply voltage"`
	BusOff  signal.Ref `name:"bus_off" unit:"bool" text:"the ECU's controller is off the bus"`
}

// base is what every program stands on: the car's pins, supply and key, non-volatile
// memory, readings, and what it hears of the others. A program embeds it.
type base struct {
	name     string
	car      *car.Car
	codes    Codes
	nv       NV
	readings *signal.Table
	common   commonRefs
	ears     ears

	battery, ignition *car.Circuit
	missing           []string // circuits that the car lacks
	outputs, memory   []string // names that the program knows
	upS               float64  // since it woke
}

// newBase is the base of the ECU of that name. Its supply is the circuit NAME-supply,
// or the one that all share.
func newBase(name string, c *car.Car, codes Codes, nv NV) base {
	b := base{name: name, car: c, codes: codes, nv: nv, readings: &signal.Table{}}
	b.readings.Declare(&b.common)
	b.ears = newEars(codes, b.common.BusOff)
	if b.battery = b.want(name + "-supply"); b.battery == nil {
		b.battery = b.need("battery-sense")
	}
	b.ignition = b.need("ignition-feed")
	return b
}

// want is a circuit that a car may have; nil without.
func (b *base) want(name string) *car.Circuit {
	c, _ := b.car.Circuit(name)
	return c
}

// need is a circuit without which the program cannot be; all that are missing are
// gathered for whole.
func (b *base) need(name string) *car.Circuit {
	if c := b.want(name); c != nil {
		return c
	}
	b.missing = append(b.missing, name)
	return &car.Circuit{}
}

// whole is nil when the car has all circuits that the program needs.
func (b *base) whole() error {
	if len(b.missing) == 0 {
		return nil
	}
	return b.car.Spec().NoCircuits(b.missing, b.name)
}

// Readings implements [Program].
func (b *base) Readings() *signal.Table { return b.readings }

// Heard implements [Program].
func (b *base) Heard() *signal.Table { return b.ears.table }

// Restart implements [Program].
func (b *base) Restart() { b.upS = 0 }

// Routine implements [Program] for one that takes no part in any.
func (b *base) Routine(string, string) {}

// Control implements [Program] for one without outputs.
func (b *base) Control(string, float64, bool) {}

// Boot implements [Program] for one that is not programmed.
func (b *base) Boot(bool) {}

// Declared implements [Program].
func (b *base) Declared() program.Names {
	return program.Names{
		Readings: names(b.readings), Heard: b.ears.values, Partners: b.ears.names(), Outputs: b.outputs, Memory: b.memory,
	}
}

func names(t *signal.Table) []string {
	var list []string
	for _, i := range t.Infos() {
		list = append(list, i.Name)
	}
	return list
}

// supplied reports whether the ECU has supply, and shows its voltage.
func (b *base) supplied() (volts float64, ok bool) {
	volts = b.battery.Volts()
	return volts, volts >= lowestV
}

// keyOn reports whether the key is on or at start.
func (b *base) keyOn() bool { return closed(b.ignition) }

// show writes the readings that every program has.
func (b *base) show(key int, volts float64) {
	b.readings.SetBool(b.common.Powered, true)
	b.readings.Set(b.common.Key, float64(key))
	b.readings.Set(b.common.Battery, volts)
}

// dark is an ECU without supply: it shows nothing.
func (b *base) dark() {
	for r := range signal.Ref(b.readings.Len()) {
		b.readings.Set(r, 0)
	}
}

// on reports whether the ECU ran at its last step.
func (b *base) on() bool { return b.readings.Is(b.common.Powered) }

// listen tests the codes of the network, and shows who is lost.
func (b *base) listen(now time.Duration, volts float64) { b.ears.judge(now, b.readings, b.upS, volts) }

// passOn shows what was heard as a reading of the program's own, as good as it is.
func (b *base) passOn(reading, heard signal.Ref) {
	v, trusted := b.ears.value(heard, 0)
	b.readings.Set(reading, v)
	b.readings.Trust(reading, trusted)
}
