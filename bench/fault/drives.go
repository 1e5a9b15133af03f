package fault

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/car/strict"
)

// Drive is a way to use the car in which faults show: from key off to key off.
type Drive struct {
	Name string `yaml:"drive"`
	Text string `yaml:"text"`
	// Gearbox is "manual" (the default) or "automatic": a drive of one name may be
	// written for either.
	Gearbox string `yaml:"gearbox"`
	// AmbientC and CoolantC are how the car stands there before; as it is without.
	AmbientC *float64 `yaml:"ambient_c"`
	CoolantC *float64 `yaml:"coolant_c"`
	Steps    []Leg    `yaml:"steps"`
}

// Leg is one part of a drive: what the driver does first, and how long it takes.
type Leg struct {
	// Where names the part for symptoms; several legs may have one name.
	Where string            `yaml:"where"`
	Set   map[string]string `yaml:"set"`
	For   string            `yaml:"for"`

	takes time.Duration
}

// Takes is how long the leg takes.
func (l *Leg) Takes() time.Duration { return l.takes }

// Move sets one of the driver's controls.
type Move struct{ Control, Value string }

// Moves are what the driver does first in a leg.
func (l *Leg) Moves() []Move {
	moves := make([]Move, 0, len(l.Set))
	for _, k := range sortedKeys(l.Set) {
		moves = append(moves, Move{k, l.Set[k]})
	}
	return moves
}

// Do sets the driver's controls of a leg.
func (l *Leg) Do(c *car.Car) error {
	for _, m := range l.Moves() {
		if err := c.Drive(m.Control, m.Value); err != nil {
			return err
		}
	}
	return nil
}

// drives are read once, as the catalogue is.
var drives = sync.OnceValue(func() []Drive {
	src, err := strict.Open(builtIn(), "drives.yaml", "drives.yaml")
	if err != nil {
		panic(err)
	}
	list, err := readDrives(src)
	if err != nil {
		panic(err)
	}
	return list
})

// Gearboxes that a drive is for.
const (
	manual    = "manual"
	automatic = "automatic"
)

func gearboxOf(spec *car.Spec) string {
	if spec.Automatic() {
		return automatic
	}
	return manual
}

// Drives lists the drives that the catalogue speaks of, as a car is driven.
func Drives(spec *car.Spec) []Drive {
	if spec.UnitsOnly() {
		return nil // they are drives of an engine
	}
	return slices.DeleteFunc(slices.Clone(drives()), func(d Drive) bool { return d.Gearbox != gearboxOf(spec) })
}

// DriveOf finds a drive by name, for a car.
func DriveOf(name string, spec *car.Spec) (*Drive, bool) {
	all := drives()
	for i := range all {
		if all[i].Name == name && all[i].Gearbox == gearboxOf(spec) {
			return &all[i], true
		}
	}
	return nil, false
}

func readDrives(src strict.Source) ([]Drive, error) {
	var file struct {
		Drives []Drive `yaml:"drives"`
	}
	d, err := src.Decode(&file)
	if err != nil {
		return nil, err
	}
	for i := range file.Drives {
		x := &file.Drives[i]
		at := fmt.Sprintf("$.drives[%d]", i)
		if !idPattern.MatchString(x.Name) || len(x.Steps) == 0 {
			return nil, d.Errorf(at, "drive %q with %d steps, want lower-case words joined by - and at least one step", x.Name, len(x.Steps))
		}
		if x.Gearbox == "" {
			x.Gearbox = manual
		}
		if err := d.Word(at+".gearbox", x.Gearbox, manual, automatic); err != nil {
			return nil, err
		}
		for j := range x.Steps {
			l := &x.Steps[j]
			if l.takes, err = time.ParseDuration(l.For); err != nil || l.takes <= 0 || l.takes > time.Hour {
				return nil, d.Errorf(fmt.Sprintf("%s.steps[%d].for", at, j), "%q, want a time such as 300ms or 20s", l.For)
			}
		}
	}
	return file.Drives, nil
}
