package car

import (
	"fmt"

	"sawhorse/bench/car/strict"
	"sawhorse/bench/signal"
)

func (w *wiringSpec) check(d *strict.Doc) error {
	rails := map[string]bool{}
	for i, r := range w.Rails {
		p := fmt.Sprintf("$.rails[%d]", i)
		switch {
		case r.Name == "":
			return d.Errorf(p+".rail", "missing, want the rail's name")
		case rails[r.Name]:
			return d.Errorf(p+".rail", "%q is there already, want another name", r.Name)
		case r.From != "" && r.From != "battery" && r.From != "key" && !rails[r.From]:
			return d.Errorf(p+".from", "%q, want battery, key or a rail above", r.From)
		}
		if err := d.Ranges(strict.Number{Path: p + ".fuse_a", Value: r.FuseA, Lo: 0, Hi: 200, Unit: "A"}); err != nil {
			return err
		}
		if err := d.Ranges(strict.Number{Path: p + ".volts", Value: r.Volts, Lo: 0, Hi: 15, Unit: "V"}); err != nil {
			return err
		}
		rails[r.Name] = true
	}
	if len(w.Circuits) > 500 {
		return d.Errorf("$.circuits", "%d circuits, at most 500", len(w.Circuits))
	}
	seen, drives := map[string]bool{}, map[string]bool{}
	truth, _ := newTruth()
	if err := w.checkSignals(d, truth); err != nil {
		return err
	}
	for i := range w.Circuits {
		c, p := &w.Circuits[i], fmt.Sprintf("$.circuits[%d]", i)
		if c.Name == "" {
			return d.Errorf(p+".circuit", "missing, want the circuit's name")
		}
		if seen[c.Name] {
			return d.Errorf(p+".circuit", "%q is there already, want another name", c.Name)
		}
		seen[c.Name] = true
		for _, r := range []struct{ key, name string }{{"supply", c.Supply}, {"ground", c.Ground}, {"contact", c.Contact}} {
			if r.name != "" && !rails[r.name] {
				return d.Errorf(p+"."+r.key, "%q is no rail, want one of those listed under rails", r.name)
			}
		}
		if err := c.check(d, p, truth, drives); err != nil {
			return err
		}
	}
	return nil
}

func (c *circuitSpec) check(d *strict.Doc, p string, truth *signal.Table, drives map[string]bool) error {
	n, err := c.Element.check(d, p+".element")
	switch {
	case err != nil:
		return err
	case n != 1:
		return d.Errorf(p+".element", "%d elements, want exactly 1 of ntc, ratio, hot_wire, pulses, source, switch, load", n)
	}
	if c.Element.Load != nil {
		if c.Drives == "" {
			return nil // a unit switches it by the circuit's name
		}
		if err := d.Word(p+".drives", c.Drives, loadNames[:]...); err != nil {
			return err
		}
		if drives[c.Drives] {
			return d.Errorf(p+".drives", "%q is driven by another circuit already", c.Drives)
		}
		drives[c.Drives] = true
		return nil
	}
	if _, ok := truth.Lookup(c.Measures); !ok {
		return d.Unknown(p+".measures", c.Measures, "signal of the car", names(truth))
	}
	if c.Input == nil {
		return d.Errorf(p+".input", "missing, want pull_v and pull_ohm")
	}
	return d.Ranges(
		strict.Number{Path: p + ".input.pull_v", Value: c.Input.PullV, Lo: 0, Hi: 15, Unit: "V"},
		strict.Number{Path: p + ".input.pull_ohm", Value: c.Input.PullOhm, Lo: 10, Hi: 1e8, Unit: "ohm"},
	)
}

// check counts the parts of an element and checks their numbers.
func (e *elementSpec) check(d *strict.Doc, p string) (n int, err error) {
	var ns []strict.Number
	num := func(key string, v, lo, hi float64, unit string) {
		ns = append(ns, strict.Number{Path: p + key, Value: v, Lo: lo, Hi: hi, Unit: unit})
	}
	if e.NTC != nil {
		n++
		num(".ntc.ohm", e.NTC.Ohm, 10, 1e6, "ohm")
		num(".ntc.at_c", e.NTC.AtC, -40, 150, "degC")
		num(".ntc.b_k", e.NTC.BK, 500, 10000, "K")
	}
	if e.Ratio != nil {
		n++
		num(".ratio.to", e.Ratio.To, e.Ratio.From+1e-6, 1e6, "")
		num(".ratio.from", e.Ratio.From, -1e6, 1e6, "")
		num(".ratio.volts[0]", e.Ratio.Volts[0], 0, 5, "V")
		num(".ratio.volts[1]", e.Ratio.Volts[1], 0, 5, "V")
		num(".ratio.ohm", e.Ratio.Ohm, 1, 1e6, "ohm")
	}
	if e.HotWire != nil {
		n++
		num(".hot_wire.a", e.HotWire.A, 0, 25, "V2")
		num(".hot_wire.b", e.HotWire.B, 0.01, 25, "V2 per root of g/s")
	}
	if e.Pulses != nil {
		n++
		num(".pulses.per_unit", e.Pulses.PerUnit, 1e-6, 1e6, "Hz")
	}
	if e.Source != nil {
		n++
		num(".source.ohm", e.Source.Ohm, 0.01, 1e8, "ohm")
	}
	if e.Switch != nil {
		n++
	}
	if e.Load != nil {
		n++
		num(".load.ohm", e.Load.Ohm, 0.1, 1e5, "ohm")
	}
	return n, d.Ranges(ns...)
}
