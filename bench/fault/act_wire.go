package fault

import (
	"fmt"

	"sawhorse/bench/car"
)

// Wiring is the state of a wire as the catalogue has it.
type Wiring struct {
	State   string `yaml:"state"`
	StateOf string `yaml:"state_of"`
	// The numbers may stand here or come from parameters of these names.
	Ohm      float64 `yaml:"ohm"`
	OpenPct  float64 `yaml:"open_pct"`
	PeriodS  float64 `yaml:"period_s"`
	OhmOf    string  `yaml:"ohm_of"`
	OpenOf   string  `yaml:"open_pct_of"`
	PeriodOf string  `yaml:"period_s_of"`
}

func (w *Wiring) of(p Params) (car.Wiring, error) {
	name := w.State
	if w.StateOf != "" {
		name, _ = p[w.StateOf].(string)
	}
	s, err := car.ParseWireState(name)
	if err != nil {
		return car.Wiring{}, err
	}
	pick := func(v float64, of string) float64 {
		if of != "" {
			return p.Number(of)
		}
		return v
	}
	out := car.Wiring{State: s, Ohm: pick(w.Ohm, w.OhmOf), OpenPct: pick(w.OpenPct, w.OpenOf), PeriodS: pick(w.PeriodS, w.PeriodOf)}
	return out, out.Check()
}

func init() { register[wireAct]("wire") }

// wireAct breaks the signal wire of one circuit.
type wireAct struct {
	Circuit string `yaml:"circuit"`
	Wiring  `yaml:",inline"`
}

func (a *wireAct) scope(Params) Scope { return Scope{InCar, CarOnly} }

func (a *wireAct) terms() terms { return terms{names: []string{a.Circuit}, wiring: &a.Wiring} }

func (a *wireAct) check(t *Target, p Params) error {
	if _, err := a.of(p); err != nil {
		return err
	}
	if _, ok := t.Car.Circuit(fill(a.Circuit, p)); !ok {
		return fmt.Errorf("the car %s has no circuit %q", t.Car.Spec().Name, fill(a.Circuit, p))
	}
	return nil
}

func (a *wireAct) free(t *Target, p Params) error {
	c, _ := t.Car.Circuit(fill(a.Circuit, p)) // checked
	if s := c.Wiring().State; s != car.Intact {
		return fmt.Errorf("the wire of %s is %v already: another fault acts on it", fill(a.Circuit, p), s)
	}
	return nil
}

func (a *wireAct) on(t *Target, p Params) (func(), error) {
	w, err := a.of(p)
	if err != nil {
		return nil, err
	}
	x, _ := t.Car.Circuit(fill(a.Circuit, p)) // checked
	x.SetWiring(w)
	return func() { x.SetWiring(car.Wiring{}) }, nil
}
