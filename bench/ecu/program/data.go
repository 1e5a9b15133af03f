package program

import (
	"fmt"
	"regexp"
	"slices"

	"sawhorse/bench/car/exact"
	"sawhorse/bench/car/strict"
)

// Data is a program that is data alone, the key program of a unit's file: for a unit
// that measures, watches its circuits and switches loads, but controls nothing.
type Data struct {
	// Wakes is what the unit lives on: key (the default), or supply, with which it
	// lives as long as there is a battery.
	Wakes string `yaml:"wakes"`
	// Readings are what it knows of the car, beside powered, key, battery_v, bus_off
	// and mil, which every program has.
	Readings []Reading `yaml:"readings"`
	// Listens are the units whose silence it notices.
	Listens []Listen `yaml:"listens"`
	// Hears are the values that it takes from their messages; each is a reading too.
	Hears []Heard `yaml:"hears"`
	// Codes are set by what is seen at circuits.
	Codes []Code `yaml:"codes"`
	// Outputs are the loads that it switches.
	Outputs []Output `yaml:"outputs"`
	// Keeps are the values that it keeps without supply for its diagnostics.
	Keeps []string `yaml:"keeps"`

	doc *strict.Doc
}

// Reading is one number that the program has from the pin of a circuit.
type Reading struct {
	Name string `yaml:"reading"`
	Unit string `yaml:"unit"`
	Text string `yaml:"text"`
	// Circuit is the name of a circuit: of a switch 1 when it is closed, of pulses
	// their rate in Hz, of anything else the voltage.
	Circuit string `yaml:"circuit"`
	// Scale and Offset make a value of it, scale 1 without; or Curve does, between
	// whose points it goes straight, as in [[0.5, -40], [4.5, 125]].
	Scale  *float64    `yaml:"scale"`
	Offset float64     `yaml:"offset"`
	Curve  exact.Curve `yaml:"curve"`
}

// Listen is another unit, with the codes of its silence and of wrong data from it; a
// code is not set without.
type Listen struct {
	Unit  string `yaml:"unit"`
	Lost  string `yaml:"lost"`
	Wrong string `yaml:"wrong"`
}

// Heard is a value that comes from another unit.
type Heard struct {
	Name string `yaml:"value"`
	Unit string `yaml:"unit"`
	Text string `yaml:"text"`
}

// Code is a trouble code of a circuit: exactly one of the conditions is given.
type Code struct {
	Code    string `yaml:"code"`
	Circuit string `yaml:"circuit"`
	// Below and Above are limits of the voltage at the pin.
	Below *float64 `yaml:"below"`
	Above *float64 `yaml:"above"`
	// Load is what is wrong with a load: open, shorted-low (to ground), shorted-high
	// (to supply), or any.
	Load string `yaml:"load"`
}

// Loads are what can be wrong with a load.
var Loads = []string{"open", "shorted-low", "shorted-high", "any"}

// Output is a load that the program switches.
type Output struct {
	Name    string `yaml:"output"`
	Circuit string `yaml:"circuit"`
	// While is the reading with which it is on; without one it is off until a tool
	// commands it.
	While string `yaml:"while"`
	// Shows is the reading of its command, by the name of the output without.
	Shows string `yaml:"shows"`
}

// Common are the readings that every program that is data alone has.
var Common = []string{"powered", "key", "battery_v", "bus_off", "mil"}

var name = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)

// Complete checks what can be checked without the car, and fills in what may be left out.
// Codes are those of the unit.
func (p *Data) Complete(doc *strict.Doc, codes []string) error {
	p.doc = doc
	if p.Wakes == "" {
		p.Wakes = "key"
	}
	if err := doc.Word("$.program.wakes", p.Wakes, "key", "supply"); err != nil {
		return err
	}
	if err := p.checkReadings(); err != nil {
		return err
	}
	return p.checkCodes(codes)
}

// Errorf makes an error about a value of the program, as in "codes[2].circuit".
func (p *Data) Errorf(path, format string, args ...any) error {
	return p.doc.Errorf("$.program."+path, format, args...)
}

// Unknown is an error about a name that is none of a kind of thing.
func (p *Data) Unknown(path, name, what string, names []string) error {
	return p.doc.Unknown("$.program."+path, name, what, names)
}

// checkReadings checks the names of all that becomes a reading.
func (p *Data) checkReadings() error {
	taken := slices.Clone(Common)
	add := func(path, n string) error {
		switch {
		case !name.MatchString(n):
			return p.Errorf(path, "%q, want a name of small letters, digits and underscores", n)
		case slices.Contains(taken, n):
			return p.Errorf(path, "%q is there already, want another name", n)
		}
		taken = append(taken, n)
		return nil
	}
	for i := range p.Readings {
		r, at := &p.Readings[i], fmt.Sprintf("readings[%d]", i)
		if err := add(at+".reading", r.Name); err != nil {
			return err
		}
		switch {
		case r.Text == "":
			return p.Errorf(at+".text", "missing, want in a few words what it is")
		case r.Circuit == "":
			return p.Errorf(at+".circuit", "missing, want the circuit that it is read from")
		case len(r.Curve) > 0 && (r.Scale != nil || r.Offset != 0):
			return p.Errorf(at+".curve", "beside scale or offset, want either")
		}
		if len(r.Curve) > 0 {
			if err := r.Curve.Check(-1e9, 1e9); err != nil {
				return p.Errorf(at+".curve", "%v", err)
			}
		}
	}
	for i := range p.Listens {
		at := fmt.Sprintf("listens[%d].unit", i)
		if err := add(at, "lost_"+p.Listens[i].Unit); err != nil {
			return p.Errorf(at, "%q, want the name of another unit, once", p.Listens[i].Unit)
		}
	}
	for i := range p.Hears {
		if err := add(fmt.Sprintf("hears[%d].value", i), p.Hears[i].Name); err != nil {
			return err
		}
	}
	while := slices.Clone(taken)
	for i := range p.Outputs {
		o, at := &p.Outputs[i], fmt.Sprintf("outputs[%d]", i)
		if o.Shows == "" {
			o.Shows = o.Name
		}
		if !name.MatchString(o.Name) {
			return p.Errorf(at+".output", "%q, want a name of small letters, digits and underscores", o.Name)
		}
		if err := add(at+".output", o.Shows); err != nil {
			return err
		}
		if o.While != "" && !slices.Contains(while, o.While) {
			return p.Unknown(at+".while", o.While, "reading of the program", while)
		}
	}
	return nil
}

func (p *Data) checkCodes(codes []string) error {
	known := func(path, code string) error {
		if slices.Contains(codes, code) {
			return nil
		}
		return p.Unknown(path, code, "code of the unit", codes)
	}
	for i := range p.Codes {
		c, at := &p.Codes[i], fmt.Sprintf("codes[%d]", i)
		if err := known(at+".code", c.Code); err != nil {
			return err
		}
		n := 0
		for _, given := range []bool{c.Below != nil, c.Above != nil, c.Load != ""} {
			if given {
				n++
			}
		}
		switch {
		case n != 1:
			return p.Errorf(at, "%d conditions, want exactly one of below, above, load", n)
		case c.Circuit == "":
			return p.Errorf(at+".circuit", "missing, want the circuit that is watched")
		case c.Load != "":
			if err := p.doc.Word("$.program."+at+".load", c.Load, Loads...); err != nil {
				return err
			}
		}
	}
	for i := range p.Listens {
		l := &p.Listens[i]
		for _, x := range []struct{ key, code string }{{"lost", l.Lost}, {"wrong", l.Wrong}} {
			if x.code == "" {
				continue
			}
			if err := known(fmt.Sprintf("listens[%d].%s", i, x.key), x.code); err != nil {
				return err
			}
		}
	}
	return nil
}
