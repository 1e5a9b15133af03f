package bench

import (
	"slices"
	"sync"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/fault"
	"sawhorse/bench/judge/cel"
	"sawhorse/scenarios"
)

// Vocabulary is what scenarios may speak of: the cars with their signals, the fault
// catalogue and its drives.
func Vocabulary() *scenarios.Vocabulary {
	return &scenarios.Vocabulary{
		Cars: car.Names(), Language: language, Controls: controls, Signals: movable,
		Faults: allFaults,
		Drives: driveKinds,
	}
}

// allFaults are those of the catalogue, which takes time to read.
var allFaults = sync.OnceValue(func() []scenarios.FaultKind {
	return faultKinds(func(*fault.Entry) bool { return true })
})

// FrameFaults are the faults of the catalogue that frames can have where no car of
// ours is.
func FrameFaults() []scenarios.FaultKind {
	return faultKinds((*fault.Entry).OnFrames)
}

// driveKinds are the catalogue's drives of a car, from key off to key off.
func driveKinds(name string) []scenarios.DriveKind {
	spec, err := car.Find(name)
	if err != nil {
		return nil
	}
	var list []scenarios.DriveKind
	for _, d := range fault.Drives(spec) {
		k := scenarios.DriveKind{ID: d.Name}
		at := time.Duration(0)
		for i := range d.Steps {
			leg := scenarios.Leg{After: at}
			for _, m := range d.Steps[i].Moves() {
				leg.Moves = append(leg.Moves, scenarios.Move(m))
			}
			if len(leg.Moves) > 0 {
				k.Legs = append(k.Legs, leg)
			}
			at += d.Steps[i].Takes()
		}
		list = append(list, k)
	}
	return list
}

// faultKinds are the entries of the catalogue that are wanted.
func faultKinds(want func(*fault.Entry) bool) []scenarios.FaultKind {
	var list []scenarios.FaultKind
	for _, e := range fault.Catalogue() {
		if !want(e) {
			continue
		}
		k := scenarios.FaultKind{ID: e.ID}
		for _, p := range e.Params {
			k.Params = append(k.Params, scenarios.Param{
				Name: p.Name, Kind: p.Kind, Min: p.Min, Max: p.Max, Words: slices.Clone(p.Words),
			})
		}
		list = append(list, k)
	}
	return list
}

// controls are what the driver of a car can move.
func controls(name string) []string {
	spec, err := car.Find(name)
	if err != nil {
		return nil
	}
	return spec.Controls()
}

// movable are the signals of a car's own.
func movable(name string) []scenarios.Movable {
	spec, err := car.Find(name)
	if err != nil {
		return nil
	}
	var list []scenarios.Movable
	for _, o := range spec.Own() {
		list = append(list, scenarios.Movable{Name: o.Name, Bool: o.Unit == "bool", Min: o.Min, Max: o.Max})
	}
	return list
}

var languages sync.Map // of cars by their specs: building one is slow, and it never changes

// language is the conditions' language about a car.
func language(name string) (*cel.Language, error) {
	spec, err := car.Find(name)
	if err != nil {
		return nil, err
	}
	if l, ok := languages.Load(spec); ok {
		return l.(*cel.Language), nil
	}
	l, err := cel.NewLanguage(car.New(spec, chance.Seed(0)).Truth.Infos())
	if err != nil {
		return nil, err
	}
	languages.Store(spec, l)
	return l, nil
}
