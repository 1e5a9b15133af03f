package fault

import (
	"fmt"

	"sawhorse/bench/car"
)

func init() { register[railAct]("rail") }

// railAct breaks a supply or ground that circuits share.
type railAct struct {
	Rail   string `yaml:"rail"`
	Wiring `yaml:",inline"`
}

func (a *railAct) scope(Params) Scope { return Scope{InCar, CarOnly} }

func (a *railAct) terms() terms { return terms{names: []string{a.Rail}, wiring: &a.Wiring} }

func (a *railAct) check(t *Target, p Params) error {
	if _, err := a.of(p); err != nil {
		return err
	}
	if _, ok := t.Car.Rail(fill(a.Rail, p)); !ok {
		return fmt.Errorf("the car %s has no rail %q", t.Car.Spec().Name, fill(a.Rail, p))
	}
	return nil
}

func (a *railAct) free(t *Target, p Params) error {
	r, _ := t.Car.Rail(fill(a.Rail, p)) // checked
	if s := r.Wiring().State; s != car.Intact {
		return fmt.Errorf("the rail %s is %v already: another fault acts on it", fill(a.Rail, p), s)
	}
	return nil
}

func (a *railAct) on(t *Target, p Params) (func(), error) {
	w, err := a.of(p)
	if err != nil {
		return nil, err
	}
	x, _ := t.Car.Rail(fill(a.Rail, p)) // checked
	x.SetWiring(w)
	return func() { x.SetWiring(car.Wiring{}) }, nil
}
