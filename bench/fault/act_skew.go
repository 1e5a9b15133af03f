package fault

import (
	"fmt"

	"sawhorse/bench/car"
)

func init() { register[skewAct]("skew") }

// skewAct makes a sensing element tell something else than what is, while its
// wiring is good.
type skewAct struct {
	Circuit string `yaml:"circuit"`
	Gain    Amount `yaml:"gain"`
	Offset  Amount `yaml:"offset"`
	Drift   Amount `yaml:"drift_per_s"`
	Lag     Amount `yaml:"lag_s"`
	// Stuck holds it where it stands.
	Stuck *Amount `yaml:"stuck_at"`
}

func (a *skewAct) scope(Params) Scope { return Scope{InCar, CarOnly} }

func (a *skewAct) terms() terms {
	x := terms{names: []string{a.Circuit}, amounts: []Amount{a.Gain, a.Offset, a.Drift, a.Lag}}
	if a.Stuck != nil {
		x.amounts = append(x.amounts, *a.Stuck)
	}
	return x
}

func (a *skewAct) check(t *Target, p Params) error {
	x, err := circuitOf(t, fill(a.Circuit, p))
	if err == nil && !x.Senses() {
		err = fmt.Errorf("the circuit %s has no sensing element", x.Name())
	}
	return err
}

func (a *skewAct) free(t *Target, p Params) error {
	x, _ := t.Car.Circuit(fill(a.Circuit, p)) // checked
	if x.Skew() != (car.Skew{}) {
		return fmt.Errorf("the element of %s is off already: another fault acts on it", x.Name())
	}
	return nil
}

func (a *skewAct) on(t *Target, p Params) (func(), error) {
	x, _ := t.Car.Circuit(fill(a.Circuit, p)) // checked
	s := car.Skew{Gain: a.Gain.of(p), Offset: a.Offset.of(p), DriftPerS: a.Drift.of(p), LagS: a.Lag.of(p)}
	if a.Stuck != nil {
		s.Stuck, s.At = true, a.Stuck.of(p)
	}
	x.SetSkew(s)
	return func() { x.SetSkew(car.Skew{}) }, nil
}

func circuitOf(t *Target, name string) (*car.Circuit, error) {
	x, ok := t.Car.Circuit(name)
	if !ok {
		return nil, fmt.Errorf("the car %s has no circuit %q", t.Car.Spec().Name, name)
	}
	return x, nil
}
