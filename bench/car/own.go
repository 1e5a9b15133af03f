package car

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"sawhorse/bench/car/strict"
	"sawhorse/bench/signal"
)

// OwnSignal is a true signal that a car has beyond those of the model: what its own
// units measure. It stands at its value until somebody moves it.
type OwnSignal struct {
	Name string `yaml:"signal"`
	Unit string `yaml:"unit"`
	Text string `yaml:"text"`
	// Value is where it begins; Min and Max are how far it can be moved, 0 and 1 of
	// a bool.
	Value float64 `yaml:"value"`
	Min   float64 `yaml:"min"`
	Max   float64 `yaml:"max"`
}

// maxOwn bounds the signals of a car's own.
const maxOwn = 200

var signalName = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)

// checkSignals checks the signals of the car's own and adds them to those of the model.
func (w *wiringSpec) checkSignals(d *strict.Doc, truth *signal.Table) error {
	if len(w.Signals) > maxOwn {
		return d.Errorf("$.signals", "%d signals, at most %d", len(w.Signals), maxOwn)
	}
	for i := range w.Signals {
		p, o := fmt.Sprintf("$.signals[%d]", i), &w.Signals[i]
		if o.Unit == "bool" && o.Min == 0 && o.Max == 0 {
			o.Max = 1
		}
		_, taken := truth.Lookup(o.Name)
		switch {
		case !signalName.MatchString(o.Name):
			return d.Errorf(p+".signal", "%q, want a name of small letters, digits and underscores", o.Name)
		case taken:
			return d.Errorf(p+".signal", "%q is a signal of the car already, want another name", o.Name)
		case o.Text == "":
			return d.Errorf(p+".text", "missing, want in a few words what it is")
		case o.Min >= o.Max:
			return d.Errorf(p+".max", "%g, want more than min (%g)", o.Max, o.Min)
		}
		if err := d.Ranges(strict.Number{Path: p + ".value", Value: o.Value, Lo: o.Min, Hi: o.Max, Unit: o.Unit}); err != nil {
			return err
		}
		truth.Define(o.Name, o.Unit, o.Text)
	}
	return nil
}

// Own lists the signals of the car's own.
func (s *Spec) Own() []OwnSignal { return slices.Clone(s.wiring.Signals) }

// defineOwn adds the car's own signals to the truth.
func (c *Car) defineOwn() {
	for i := range c.spec.wiring.Signals {
		o := &c.spec.wiring.Signals[i]
		c.Truth.Set(c.Truth.Define(o.Name, o.Unit, o.Text), o.Value)
	}
}

// ownControls are the names by which the car's own signals are moved.
func (s *Spec) ownControls() []string {
	var names []string
	for i := range s.wiring.Signals {
		names = append(names, s.wiring.Signals[i].Name)
	}
	return names
}

// moveOwn moves one of the car's own signals; false if there is none of that name.
func (c *Car) moveOwn(name, value string) (bool, error) {
	for i := range c.spec.wiring.Signals {
		o := &c.spec.wiring.Signals[i]
		if o.Name != name {
			continue
		}
		v, err := strconv.ParseFloat(value, 64)
		want := strings.TrimSpace(fmt.Sprintf("%g..%g %s", o.Min, o.Max, o.Unit))
		if o.Unit == "bool" {
			want = "true or false"
			if b, wrong := strconv.ParseBool(value); wrong == nil {
				v, err = 0, nil
				if b {
					v = 1
				}
			}
		}
		if err != nil || !(v >= o.Min && v <= o.Max) {
			return true, fmt.Errorf("%s %q, want %s", name, value, want)
		}
		r, _ := c.Truth.Lookup(name)
		c.settlePins()
		c.Truth.Set(r, v)
		return true, nil
	}
	return false, nil
}

// A car of units only has neither engine nor wheels: a battery, a key, a driver's
// controls, and what its circuits measure.
const (
	unitsOnlyV      = 12.6 // a full battery at rest
	unitsOnlyPedals = 500  // % per s
	unitsOnlyC      = 20
	unitsOnlyKPa    = 101.3
)

// UnitsOnly reports whether the car has no engine.
func (s *Spec) UnitsOnly() bool { return s.Engine.Cylinders == 0 }

// modelled are the keys of car.yaml that belong to a car with an engine.
var modelled = []string{"engine", "supply", "cooling", "driveline", "conditions", "calibration", "shift_points"}

// checkUnitsOnly checks a car without the key engine, which may have nothing of what
// makes it drive, and completes it.
func (s *Spec) checkUnitsOnly(d *strict.Doc) error {
	for _, key := range modelled {
		if d.Has("$." + key) {
			return d.Errorf("$."+key, "beside no engine, want the key engine as well, or none of %s: a car of units only", strings.Join(modelled, ", "))
		}
	}
	if len(s.ECUFiles) == 0 {
		return d.Errorf("$.ecu_files", "missing, want the files of the car's units, or the key engine")
	}
	s.Driveline.PedalPctPerSec = unitsOnlyPedals
	s.Conditions.AmbientC, s.Conditions.CoolantC, s.Conditions.BaroKPa = unitsOnlyC, unitsOnlyC, unitsOnlyKPa
	return nil
}

// stand is a step of a car of units only.
func (c *Car) stand() {
	c.moveDriver()
	c.actuate()
	c.publish()
}
