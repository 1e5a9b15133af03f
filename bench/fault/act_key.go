package fault

import "errors"

func init() { register[keyAct]("key") }

// keyAct puts another key into the lock: its transponder has another number, or
// none that can be read.
type keyAct struct {
	Code float64 `yaml:"code"`
}

func (a *keyAct) scope(Params) Scope { return Scope{InCar, CarOnly} }

func (a *keyAct) terms() terms { return terms{} }

func (a *keyAct) check(t *Target, _ Params) error {
	if t.Car == nil {
		return errors.New("there is no car")
	}
	return nil
}

func (a *keyAct) free(*Target, Params) error { return nil }

func (a *keyAct) on(t *Target, _ Params) (func(), error) {
	d := &t.Car.Driver
	was := d.KeyCode
	d.KeyCode = uint32(a.Code)
	return func() { d.KeyCode = was }, nil
}
