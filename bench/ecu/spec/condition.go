package spec

import (
	"fmt"

	"sawhorse/bench/signal"
)

// Condition compares one reading with limits, all of which must hold.
type Condition struct {
	// Stored asks instead for something to be in non-volatile memory.
	Stored  string   `yaml:"stored"`
	Signal  string   `yaml:"signal"`
	Is      *float64 `yaml:"is"`
	Below   *float64 `yaml:"below"`
	Above   *float64 `yaml:"above"`
	AtLeast *float64 `yaml:"at_least"`
	AtMost  *float64 `yaml:"at_most"`
	// NRC is the negative response when a request needs the condition.
	NRC uint8 `yaml:"nrc"`
	// Reason is the byte a routine reports when the condition falls away.
	Reason uint8 `yaml:"reason"`
	// Again starts the step of a routine anew instead of ending it.
	Again bool `yaml:"again"`
	// Says is the reason in words: what is wrong when the condition fails.
	Says string `yaml:"says"`
}

// Stored is what a unit keeps without power, as far as conditions ask for it.
type Stored interface {
	// Has reports whether something is stored under a name.
	Has(name string) bool
}

// Bound is a Condition bound to the reading that it looks at.
type Bound struct {
	*Condition
	ref    signal.Ref
	stored Stored
	// asks are the limits that the condition has; they stand here as well, as conditions
	// are looked at in every step.
	asks                              asked
	is, below, above, atLeast, atMost float64
}

// asked is a set of what a condition asks for.
type asked uint8

const (
	asksStored asked = 1 << iota
	asksIs
	asksBelow
	asksAbove
	asksAtLeast
	asksAtMost
)

// bind takes the limits over.
func (c *Bound) bind() {
	if c.Stored != "" {
		c.asks |= asksStored
	}
	for _, x := range [...]struct {
		from *float64
		to   *float64
		asks asked
	}{
		{c.Is, &c.is, asksIs}, {c.Below, &c.below, asksBelow}, {c.Above, &c.above, asksAbove},
		{c.AtLeast, &c.atLeast, asksAtLeast}, {c.AtMost, &c.atMost, asksAtMost},
	} {
		if x.from != nil {
			*x.to = *x.from
			c.asks |= x.asks
		}
	}
}

// Holds reports whether the condition is met by these readings.
func (c *Bound) Holds(t *signal.Table) bool {
	if c.asks&asksStored != 0 {
		return c.stored.Has(c.Stored)
	}
	v := t.Get(c.ref)
	if c.asks == asksIs {
		return v == c.is // what most ask
	}
	switch {
	case c.asks&asksIs != 0 && v != c.is,
		c.asks&asksBelow != 0 && v >= c.below,
		c.asks&asksAbove != 0 && v <= c.above,
		c.asks&asksAtLeast != 0 && v < c.atLeast,
		c.asks&asksAtMost != 0 && v > c.atMost:
		return false
	}
	return true
}

// Unmet returns the first condition that does not hold, nil if all do.
func Unmet(conditions []Bound, t *signal.Table) *Bound {
	for i := range conditions {
		if !conditions[i].Holds(t) {
			return &conditions[i]
		}
	}
	return nil
}

// Binder binds what a description names to the readings of a unit, and keeps the first
// error, which names the place in the unit's file.
type Binder struct {
	unit     *Unit
	readings *signal.Table
	stored   Stored
	err      error
}

// NewBinder returns a binder of a unit's description to its readings and to what it has
// stored.
func NewBinder(u *Unit, readings *signal.Table, stored Stored) *Binder {
	return &Binder{unit: u, readings: readings, stored: stored}
}

// Err is the first error, nil without.
func (b *Binder) Err() error { return b.err }

// Readings are those of the unit.
func (b *Binder) Readings() *signal.Table { return b.readings }

// Fail notes an error about the value at a path of the description.
func (b *Binder) Fail(path string, err error) {
	switch {
	case b.err != nil:
	case b.unit.doc == nil: // a description that was not read from a file
		b.err = fmt.Errorf("%s: %w", path, err)
	default:
		b.err = b.unit.doc.Errorf(path, "%v", err)
	}
}

// Ref finds a reading of the unit.
func (b *Binder) Ref(path, name string) signal.Ref {
	r, ok := b.readings.Lookup(name)
	if !ok {
		b.Fail(path, fmt.Errorf("%q is no reading of the unit", name))
	}
	return r
}

// Condition binds one condition.
func (b *Binder) Condition(path string, c *Condition) Bound {
	x := Bound{Condition: c, stored: b.stored}
	if c.Stored == "" {
		x.ref = b.Ref(path+".signal", c.Signal)
	}
	x.bind()
	return x
}

// Conditions binds a list.
func (b *Binder) Conditions(path string, cs []Condition) []Bound {
	var list []Bound
	for i := range cs {
		list = append(list, b.Condition(fmt.Sprintf("%s[%d]", path, i), &cs[i]))
	}
	return list
}
