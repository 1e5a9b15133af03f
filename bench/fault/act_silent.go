package fault

import "fmt"

// silentAct cuts an ECU's wires to the network: it hears nobody, nobody hears it.
type silentAct struct {
	ECU string `yaml:"ecu"`
}

func (a *silentAct) check(t *Target, p Params) error {
	if t.NV == nil {
		return fmt.Errorf("there is no ECU %q", fill(a.ECU, p))
	}
	if _, ok := t.NV(fill(a.ECU, p)); !ok {
		return fmt.Errorf("there is no ECU %q", fill(a.ECU, p))
	}
	return nil
}

func (a *silentAct) free(t *Target, p Params) error {
	if t.Car.Muted(fill(a.ECU, p)) {
		return fmt.Errorf("the ECU %s is off the network already: another fault acts on it", fill(a.ECU, p))
	}
	return nil
}

func (a *silentAct) on(t *Target, p Params) (func(), error) {
	ecu := fill(a.ECU, p)
	putBack := func() {}
	if t.ECUCable != nil {
		if c, ok := t.ECUCable(ecu); ok {
			c.Pull()
			putBack = c.PutBack
		}
	}
	t.Car.Mute(ecu, true)
	return func() {
		t.Car.Mute(ecu, false)
		putBack()
	}, nil
}
