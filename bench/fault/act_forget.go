package fault

import "fmt"

func init() { register[forgetAct]("forget") }

// forgetAct takes learned values out of an ECU's memory, as in a fresh ECU.
// Nothing but the learn procedure brings them back.
type forgetAct struct {
	ECU    string   `yaml:"ecu"`
	Values []string `yaml:"values"`
}

func (a *forgetAct) scope(Params) Scope { return Scope{InCar, CarOnly} }

func (a *forgetAct) terms() terms {
	if len(a.Values) == 0 {
		return terms{names: []string{a.ECU, ""}}
	}
	return terms{names: append([]string{a.ECU}, a.Values...)}
}

func (a *forgetAct) check(t *Target, _ Params) error {
	if t.NV == nil {
		return fmt.Errorf("there is no ECU %q", a.ECU)
	}
	nv, ok := t.NV(a.ECU)
	if !ok {
		return fmt.Errorf("there is no ECU %q", a.ECU)
	}
	for _, v := range a.Values {
		if nv.Knows(v) {
			return nil // of a longer list a car may lack some
		}
	}
	return fmt.Errorf("the car %s has nothing called %q in the memory of its ECU %s", t.Car.Spec().Name, a.Values[0], a.ECU)
}

func (a *forgetAct) free(*Target, Params) error { return nil } // forgotten twice is forgotten

func (a *forgetAct) on(t *Target, _ Params) (func(), error) {
	nv, _ := t.NV(a.ECU) // checked
	for _, v := range a.Values {
		nv.Erase(v)
	}
	return nil, nil
}
