package fault

import "errors"

func init() { register[cableAct]("cable_off") }

// cableAct pulls the tool's cable off the bus.
type cableAct struct{}

func (a *cableAct) scope(Params) Scope { return Scope{AtPlug, CutsTool} }

func (a *cableAct) terms() terms { return terms{} }

func (a *cableAct) check(t *Target, _ Params) error {
	if t.Cable == nil {
		return errors.New("the tool's cable can only be pulled on an embedded bus (mem: or unix:)")
	}
	return nil
}

func (a *cableAct) free(*Target, Params) error { return nil }

func (a *cableAct) on(t *Target, _ Params) (func(), error) {
	t.Cable.Pull()
	return t.Cable.PutBack, nil
}
