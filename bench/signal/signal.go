// Package signal holds a table of named numbers: the true state of the car, or
// what one ECU reads of it. Names are resolved once, values are read and written
// by index, so the model's inner loop never hashes a name.
package signal

import (
	"fmt"
	"slices"
)

// Ref is the place of one signal in its table.
type Ref int

// Info describes a signal.
type Info struct {
	// Name is lower case with underscores, with the unit where it has one:
	// coolant_c, engine_rpm, clutch_pct.
	Name string
	// Unit is the unit's symbol, "" for a plain number, "bool" for 0 or 1.
	Unit string
	// Text says in a few words what it is.
	Text string
}

// Table is a set of named numbers. The zero Table is empty and ready. It
// belongs to one loop.
type Table struct {
	infos  []Info
	values []float64
	doubts []bool
	byName map[string]Ref
}

// Define adds a signal with value 0 and returns its place. A name that is
// there already is a mistake in the program, so it panics.
func (t *Table) Define(name, unit, text string) Ref {
	if _, ok := t.byName[name]; ok {
		panic(fmt.Sprintf("signal: %q defined twice", name))
	}
	if t.byName == nil {
		t.byName = map[string]Ref{}
	}
	r := Ref(len(t.values))
	t.byName[name] = r
	t.infos = append(t.infos, Info{name, unit, text})
	t.values = append(t.values, 0)
	t.doubts = append(t.doubts, false)
	return r
}

// Lookup finds a signal by name.
func (t *Table) Lookup(name string) (Ref, bool) {
	r, ok := t.byName[name]
	return r, ok
}

// Get returns a value.
func (t *Table) Get(r Ref) float64 { return t.values[r] }

// Set stores a value.
func (t *Table) Set(r Ref, v float64) { t.values[r] = v }

// Trust says whether whoever measures a signal believes it; it does until told.
func (t *Table) Trust(r Ref, believed bool) { t.doubts[r] = !believed }

// Trusted reports whether a value is believed.
func (t *Table) Trusted(r Ref) bool { return !t.doubts[r] }

// Is reports whether a bool signal is set.
func (t *Table) Is(r Ref) bool { return t.values[r] != 0 }

// SetBool stores 1 or 0.
func (t *Table) SetBool(r Ref, b bool) {
	t.values[r] = 0
	if b {
		t.values[r] = 1
	}
}

// Infos lists the signals in the order of their definition.
func (t *Table) Infos() []Info { return slices.Clone(t.infos) }

// Len is the number of signals; their Refs are 0..Len-1.
func (t *Table) Len() int { return len(t.values) }
