package app

import (
	"fmt"
	"strconv"
	"time"

	"sawhorse/bench/car"
)

// driver is one output stage with its own diagnosis, as low-side drivers have
// it: an open load floats at the stage's test voltage while it is off, a short
// to ground pulls the pin down, a short to supply holds it up while it is on.
type driver struct {
	pin             *car.Circuit
	open, low, high monitor // of one code where it says it all
	name            string
	codes           driverCodes
	bad             judged
}

// driverCodes is how many codes an output has.
type driverCodes uint8

const (
	oneCode  driverCodes = iota // says it all
	twoCodes                    // one for open, one for both shorts
	threeCodes
)

// load is an output and its codes (SAE J2012).
type load struct{ circuit, open, low, high string }

// loads are those of the engine ECU.
var loads = []load{
	{"starter-relay", "P0615", "P0616", "P0617"},
	{"fuel-pump-relay", "P0627", "P0628", "P0629"},
	{"fan-relay", "P0480", "P0691", "P0692"},
	{"throttle-motor", "P2100", "P2102", "P2103"},
	{"purge-valve", "P0444", "P0445", "P0445"},
	{"vent-valve", "P0446", "P0446", "P0446"},
	{"alternator-field", "P0622", "P0625", "P0626"},
	{"mil-lamp", "P0650", "P0650", "P0650"},
	{"lambda-heater-b1s1", "P0135", "P0135", "P0135"},
	{"lambda-heater-b1s2", "P0141", "P0141", "P0141"},
	{"lambda-heater-b2s1", "P0155", "P0155", "P0155"},
	{"lambda-heater-b2s2", "P0161", "P0161", "P0161"},
}

// driverSet is the drivers' diagnosis.
type driverSet struct {
	list     []driver
	injector [16]*driver
	coil     [16]*driver
	named    map[string]*driver
	anyBad   bool // an output is known not to work
}

// findDrivers finds the outputs that a car has, and those of its cylinders.
func findDrivers(b *base, loads []load, cylinders int) driverSet {
	s := driverSet{named: map[string]*driver{}}
	add := func(circuit, open, low, high string) {
		pin := b.want(circuit)
		if pin == nil {
			return
		}
		codes := threeCodes
		switch {
		case low == open:
			codes = oneCode
		case low == high:
			codes = twoCodes
		}
		s.list = append(s.list, driver{pin: pin, name: circuit, codes: codes,
			open: newMonitor(b.codes, open), low: newMonitor(b.codes, low), high: newMonitor(b.codes, high)})
	}
	for _, l := range loads {
		add(l.circuit, l.open, l.low, l.high)
	}
	for k := range cylinders {
		n := strconv.Itoa(k + 1)
		injector, coil := cylinderCode("P02", k), cylinderCode("P03", k+50)
		add("injector-"+n, injector, injector, injector)
		add("coil-"+n, coil, coil, coil)
	}
	for i := range s.list {
		d := &s.list[i]
		s.named[d.name] = d
	}
	for k := range s.injector {
		n := strconv.Itoa(k + 1)
		s.injector[k], s.coil[k] = s.named["injector-"+n], s.named["coil-"+n]
	}
	return s
}

// cylinderCode is the k-th code of a row that counts cylinders in its last two
// digits, which for injectors and coils end at the twelfth.
func cylinderCode(row string, k int) string { return fmt.Sprintf("%s%02d", row, k+1) }

// failed reports whether an output is known not to work.
func (s *driverSet) failed(name string) bool {
	if !s.anyBad {
		return false
	}
	d := s.named[name]
	return d != nil && d.bad.bad
}

// noLoadA is the current below which a load that is switched on is not there.
const noLoadA = 0.02

// stage is what an output stage sees of its load.
type stage struct{ on, open, low, high bool }

// seen looks at the pin of a load.
func seen(pin *car.Circuit, batteryV float64) stage {
	v, on := pin.Volts(), pin.Commanded()
	s := stage{on: on, open: !on && v > 1.5 && v < 3.5, low: !on && v <= 1.5, high: on && v > float64(0.5*batteryV)}
	if on && !s.high && pin.Amps() < noLoadA {
		s.open = true
	}
	return s
}

// monitor tests every output in the state in which it can be seen: a
// short to ground only while off, one to supply only while on.
func (set *driverSet) monitor(now time.Duration, batteryV float64) {
	set.anyBad = false
	for i := range set.list {
		d := &set.list[i]
		s := seen(d.pin, batteryV)
		on, open, low, high := s.on, s.open, s.low, s.high
		d.bad.see(open || low || high)
		set.anyBad = set.anyBad || d.bad.bad
		if d.codes == oneCode {
			d.open.test(now, open || low || high)
			continue
		}
		d.open.test(now, open)
		if d.codes == twoCodes {
			d.low.test(now, low || high)
			continue
		}
		if on {
			d.high.test(now, high)
		} else {
			d.low.test(now, low)
		}
	}
}
