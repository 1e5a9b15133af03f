package fault

import "fmt"

// forgetAct takes learned values out of an ECU's memory, as in a fresh ECU.
// Nothing but the learn procedure brings them back.
type forgetAct struct {
	ECU    string   `yaml:"ecu"`
	Values []string `yaml:"values"`
}

func (a *forgetAct) check(t *Target, _ Params) error {
	if t.NV == nil {
		return fmt.Errorf("there is no ECU %q", a.ECU)
	}
	if _, ok := t.NV(a.ECU); !ok {
		return fmt.Errorf("there is no ECU %q", a.ECU)
	}
	return nil
}

func (a *forgetAct) free(*Target, Params) error { return nil } // forgotten twice is forgotten

func (a *forgetAct) on(t *Target, _ Params) (func(), error) {
	nv, _ := t.NV(a.ECU) // checked
	for _, v := range a.Values {
		nv.Erase(v)
	}
	return nil, nil
}
