package fault

import (
	"fmt"

	"sawhorse/bench/car"
)

func init() { register[fuseAct]("blow") }

// fuseAct blows a fuse: everything behind it loses its supply.
type fuseAct struct {
	Fuse string `yaml:"fuse"`
}

func (a *fuseAct) scope(Params) Scope { return Scope{InCar, CarOnly} }

func (a *fuseAct) terms() terms { return terms{names: []string{a.Fuse}} }

func (a *fuseAct) check(t *Target, p Params) error {
	if r, ok := t.Car.Rail(fill(a.Fuse, p)); !ok || r.Fuse() == 0 {
		return fmt.Errorf("the car %s has no fuse %q", t.Car.Spec().Name, fill(a.Fuse, p))
	}
	return nil
}

func (a *fuseAct) free(t *Target, p Params) error {
	if r, _ := t.Car.Rail(fill(a.Fuse, p)); r.Wiring().State != car.Intact { // checked
		return fmt.Errorf("the %s is %v already: another fault acts on it", fill(a.Fuse, p), r.Wiring().State)
	}
	return nil
}

func (a *fuseAct) on(t *Target, p Params) (func(), error) {
	r, _ := t.Car.Rail(fill(a.Fuse, p)) // checked
	r.SetWiring(car.Wiring{State: car.Open})
	return func() { r.SetWiring(car.Wiring{}) }, nil
}
