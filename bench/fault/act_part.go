package fault

import "fmt"

func init() { register[partAct]("part") }

// partAct wears a part of the car: its number is another than a sound one's.
type partAct struct {
	Part   string `yaml:"part"`
	Amount `yaml:",inline"`
}

func (a *partAct) scope(Params) Scope { return Scope{InCar, CarOnly} }

func (a *partAct) terms() terms { return terms{names: []string{a.Part}, amounts: []Amount{a.Amount}} }

// Amount is a number that stands in the catalogue or comes from a parameter.
type Amount struct {
	Value   float64 `yaml:"value"`
	ValueOf string  `yaml:"value_of"`
}

func (a Amount) of(p Params) float64 {
	if a.ValueOf != "" {
		return p.Number(a.ValueOf)
	}
	return a.Value
}

func (a *partAct) check(t *Target, p Params) error {
	x, ok := t.Car.Part(fill(a.Part, p))
	if !ok {
		return fmt.Errorf("the car %s has no part %q", t.Car.Spec().Name, fill(a.Part, p))
	}
	if v := a.of(p); v < x.Info.Min || v > x.Info.Max {
		return fmt.Errorf("the part %s at %g, want %g..%g %s", x.Info.Name, v, x.Info.Min, x.Info.Max, x.Info.Unit)
	}
	return nil
}

func (a *partAct) free(t *Target, p Params) error {
	if x, _ := t.Car.Part(fill(a.Part, p)); !x.Sound() { // checked
		return fmt.Errorf("the part %s is at %g %s already: another fault acts on it", x.Info.Name, x.Value(), x.Info.Unit)
	}
	return nil
}

func (a *partAct) on(t *Target, p Params) (func(), error) {
	x, _ := t.Car.Part(fill(a.Part, p)) // checked
	x.Set(a.of(p))
	return x.Mend, nil
}
