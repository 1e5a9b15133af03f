package bench

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"sawhorse/bench/api"
	"sawhorse/bench/fault"
	"sawhorse/bench/judge/cel"
)

// Desk is what the daemon's API does to a rig. Its methods belong to the loop.
type Desk struct{ rig *Rig }

// Desk returns the rig's controls.
func (r *Rig) Desk() *Desk { return &Desk{r} }

// Car implements api.Desk.
func (d *Desk) Car() (time.Duration, map[string]any) {
	truth := d.rig.Car.Truth
	signals := map[string]any{}
	for _, i := range truth.Infos() {
		ref, _ := truth.Lookup(i.Name)
		switch {
		case i.Unit == "bool":
			signals[i.Name] = truth.Is(ref)
		case i.Name == "key":
			signals[i.Name] = keyWord(int(truth.Get(ref)))
		default:
			signals[i.Name] = truth.Get(ref)
		}
	}
	return d.rig.Loop.Now(), signals
}

func keyWord(k int) string {
	words := cel.KeyPositions()
	if k < 0 || k >= len(words) {
		return strconv.Itoa(k)
	}
	return words[k]
}

// Drive implements api.Desk: first all controls are tried, then all are set.
func (d *Desk) Drive(controls map[string]any) error {
	names := make([]string, 0, len(controls))
	for name := range controls {
		names = append(names, name)
	}
	slices.Sort(names)
	before := d.rig.Car.Driver
	for _, name := range names {
		if err := d.rig.Car.Drive(name, word(controls[name])); err != nil {
			d.rig.Car.Driver = before
			return err
		}
	}
	return nil
}

// word writes a JSON value as the car's controls take it.
func word(v any) string {
	if f, ok := v.(float64); ok {
		return strconv.FormatFloat(f, 'g', -1, 64)
	}
	return fmt.Sprint(v)
}

// Faults implements api.Desk.
func (d *Desk) Faults() []api.FaultState {
	var list []api.FaultState
	for _, e := range fault.Catalogue() {
		s := api.FaultState{ID: e.ID, Title: e.Title}
		if h := d.rig.faults.find(e.ID); h != nil && h.fault.Active() {
			s.On, s.Params = true, h.fault.Params()
		}
		list = append(list, s)
	}
	return list
}

// SetFault implements api.Desk. A fault that is on and comes again with other
// parameters changes to them.
func (d *Desk) SetFault(id string, on bool, params map[string]any) error {
	if !slices.Contains(fault.IDs(), id) {
		return fmt.Errorf("fault %q: %w", id, api.ErrUnknown)
	}
	var next *faultHandle
	if on {
		var err error
		if next, err = d.rig.faults.add(id, params); err != nil {
			return err
		}
	}
	if err := d.rig.faults.retire(id, next); err != nil {
		return err
	}
	if next != nil {
		return next.set(true)
	}
	return nil
}
