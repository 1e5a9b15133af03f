package fault

func init() { register[hitAct]("bit_error") }

// hitAct has frames falsified on the copper: the nodes that see it send error
// flags, the counters change, the frame is repeated.
type hitAct struct {
	remark // goes with what it does
}

func (a *hitAct) scope(Params) Scope { return Scope{OnNetwork, Loses | Delays} }

func (a *hitAct) terms() terms { return terms{} }

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
