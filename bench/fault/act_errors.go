package fault

import "errors"

// busOffAct takes a node's controller off the bus: its transceiver sees errors
// that nobody else sees. It comes back by itself after the standard's recovery.
type busOffAct struct{}

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

// hitAct has frames falsified on the copper: the nodes that see it send error
// flags, the counters change, the frame is repeated.
type hitAct struct {
	name string // of the fault
}

func (a *hitAct) check(t *Target, p Params) error {
	_, err := matchOf(t, p)
	return err
}

func (a *hitAct) free(*Target, Params) error { return nil }

func (a *hitAct) on(t *Target, p Params) (func(), error) {
	m, err := matchOf(t, p)
	if err != nil {
		return nil, err
	}
	return t.Network.BitErrors(a.name, m, int(p.Number("bit")))
}
