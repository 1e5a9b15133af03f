package fault

import "fmt"

func init() { register[storeAct]("store") }

// storeAct puts a wrong value into an ECU's memory, as a learn under wrong
// conditions leaves it. Only learning again puts it right.
type storeAct struct {
	ECU    string `yaml:"ecu"`
	Name   string `yaml:"learned"`
	Amount `yaml:",inline"`
}

func (a *storeAct) scope(Params) Scope { return Scope{InCar, CarOnly} }

func (a *storeAct) terms() terms {
	return terms{names: []string{a.ECU, a.Name}, amounts: []Amount{a.Amount}}
}

func (a *storeAct) check(t *Target, _ Params) error {
	return (&forgetAct{ECU: a.ECU, Values: []string{a.Name}}).check(t, nil)
}

func (a *storeAct) free(*Target, Params) error { return nil }

func (a *storeAct) on(t *Target, p Params) (func(), error) {
	nv, ok := t.NV(a.ECU)
	if !ok {
		return nil, fmt.Errorf("there is no ECU %q", a.ECU)
	}
	nv.Set(a.Name, a.of(p))
	return nil, nil
}
