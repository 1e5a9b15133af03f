package fault

import (
	"errors"
	"fmt"
)

func init() { register[silentAct]("silent") }

// silentAct cuts an ECU's wires to the network: it hears nobody, nobody hears it.
type silentAct struct {
	ECU string `yaml:"ecu"`
}

func (a *silentAct) scope(Params) Scope { return Scope{OnNetwork, CutsUnits} }

func (a *silentAct) terms() terms { return terms{names: []string{a.ECU}} }

func (a *silentAct) find(t *Target, p Params) (ECUCable, error) {
	if t.ECUCable == nil {
		return nil, errors.New("an ECU can only be cut off an embedded bus (mem: or unix:)")
	}
	return t.ECUCable(fill(a.ECU, p))
}

func (a *silentAct) check(t *Target, p Params) error {
	_, err := a.find(t, p)
	return err
}

func (a *silentAct) free(t *Target, p Params) error {
	if c, _ := a.find(t, p); c.Out() { // checked
		return fmt.Errorf("the ECU %s is off the network already: another fault acts on it", fill(a.ECU, p))
	}
	return nil
}

func (a *silentAct) on(t *Target, p Params) (func(), error) {
	c, _ := a.find(t, p) // checked
	c.Pull()
	return c.PutBack, nil
}
