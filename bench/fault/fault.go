package fault

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"

	"sawhorse/bench/car"
	"sawhorse/dbc"
)

// Target is what faults act on. A run fills in what it has.
type Target struct {
	Car *car.Car
	// NV finds the non-volatile memory of an ECU by its name.
	NV func(ecu string) (Memory, bool)
	// Cable is the tool's connection to the bus; nil where there is none to pull.
	Cable Cable
	// ECUCable finds the connection of an ECU to the bus; nil where it cannot be cut.
	// The error lists the ECUs.
	ECUCable func(ecu string) (ECUCable, error)
	// Copper is the wires of the bus; nil where they cannot be altered.
	Copper Copper
	// Network is the bus as frames on it are altered; nil without.
	Network Network
	// Units finds the ECU of a name, or all for "", whose answers are altered; nil
	// without. The error lists the names.
	Units func(ecu string) ([]Unit, error)
	// DBC loads the network of a .dbc file, "" for the car's own; nil without.
	DBC func(file string) (*dbc.Network, error)
	// Chance gives the generator of a name; nil where nothing is left to chance.
	Chance func(name string) *rand.Rand
}

// Memory is what a fault does to an ECU's learned values; ecu.NV is one.
type Memory interface {
	Erase(name string)
	Set(name string, v float64)
	// Knows reports whether the ECU has a use for a name.
	Knows(name string) bool
}

// Cable is the tool's connection to the bus.
type Cable interface {
	Pull()
	PutBack()
}

// ECUCable is the connection of one ECU to the bus.
type ECUCable interface {
	Cable
	// Out reports whether it is pulled.
	Out() bool
}

// Fault is one fault with its parameters, ready to act.
type Fault struct {
	entry  *Entry
	params Params
	acts   []act
	undo   []func()
	on     bool
}

// New prepares a fault of the catalogue. Parameters that are not given have
// their defaults; the error names the parameter, its range and what came.
func New(id string, params map[string]any) (*Fault, error) {
	e, err := Find(id)
	if err != nil {
		return nil, err
	}
	p, err := e.params(params)
	if err != nil {
		return nil, fmt.Errorf("fault %s: %w", id, err)
	}
	f := &Fault{entry: e, params: p}
	for _, a := range e.acts {
		if a.If == "" || p.Bool(a.If) != a.Not {
			f.acts = append(f.acts, a.act)
		}
	}
	return f, nil
}

// ErrUnknown says that the catalogue has no such fault.
var ErrUnknown = errors.New("not in the catalogue")

// Entry is the fault's place in the catalogue.
func (f *Fault) Entry() *Entry { return f.entry }

// Params are its parameters, defaults filled in.
func (f *Fault) Params() Params { return f.params }

// Active reports whether it is on.
func (f *Fault) Active() bool { return f.on }

// Codes are the trouble codes that the fault brings, in the catalogue's order.
func (f *Fault) Codes() []string {
	codes := slices.Clone(f.entry.Codes)
	for _, m := range f.entry.Also {
		if f.params.Bool(m.If) || m.Is != "" && f.params.Text(m.If) == m.Is {
			codes = append(codes, m.Codes...)
		}
	}
	for i, c := range codes {
		codes[i] = fill(c, f.params)
	}
	return codes
}

// Check reports what the target lacks for this fault, before anything is done.
func (f *Fault) Check(t *Target) error {
	for _, a := range f.acts {
		if err := a.check(t, f.params); err != nil {
			return fmt.Errorf("fault %s: %w", f.entry.ID, err)
		}
	}
	return nil
}

// On brings the fault about; a fault that is on stays so. On an error nothing
// has been done.
func (f *Fault) On(t *Target) error {
	if err := f.Check(t); err != nil || f.on {
		return err
	}
	for _, a := range f.acts {
		if err := a.free(t, f.params); err != nil {
			return fmt.Errorf("fault %s: %w", f.entry.ID, err)
		}
	}
	for _, a := range f.acts {
		undo, err := a.on(t, f.params)
		if err != nil {
			f.mend()
			return fmt.Errorf("fault %s: %w", f.entry.ID, err)
		}
		if undo != nil {
			f.undo = append(f.undo, undo)
		}
	}
	f.on = true
	return nil
}

// mend undoes what has been done, the last first.
func (f *Fault) mend() {
	for _, undo := range slices.Backward(f.undo) {
		undo()
	}
	f.undo = nil
}

// Off mends what can be mended with the hands: wires, plugs, parts. A value that
// an ECU has lost does not come back by itself; it must be learned.
func (f *Fault) Off() {
	f.on = false
	f.mend()
}
