package fault

import "errors"

func init() { register[busOffAct]("bus_off") }

// busOffAct takes a node's controller off the bus: its transceiver sees errors
// that nobody else sees. It comes back by itself after the standard's recovery.
type busOffAct struct{}

func (a *busOffAct) scope(Params) Scope { return Scope{OnNetwork, CutsUnits | CutsTool} }

func (a *busOffAct) terms() terms { return terms{} }

func (a *busOffAct) check(t *Target, p Params) error {
	if t.Network == nil {
		return errNoNetwork
	}
	_, err := t.Network.Sender(p.Text("sender"))
	if err == nil && p.Text("sender") == "" {
		err = errors.New("parameter sender is empty, want the name of a node")
	}
	return err
}

func (a *busOffAct) free(*Target, Params) error { return nil }

func (a *busOffAct) on(t *Target, p Params) (func(), error) {
	return nil, t.Network.BusOff(p.Text("sender"))
}
