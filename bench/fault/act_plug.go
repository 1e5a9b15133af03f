package fault

import "fmt"

func init() { register[plugAct]("plug_off") }

// plugAct pulls a plug off: all its circuits open together.
type plugAct struct {
	Connector string `yaml:"connector"`
}

func (a *plugAct) scope(Params) Scope { return Scope{InCar, CarOnly} }

func (a *plugAct) terms() terms { return terms{names: []string{a.Connector}} }

func (a *plugAct) check(t *Target, p Params) error {
	if _, ok := t.Car.Connector(fill(a.Connector, p)); !ok {
		return fmt.Errorf("the car %s has no plug %q", t.Car.Spec().Name, fill(a.Connector, p))
	}
	return nil
}

func (a *plugAct) free(t *Target, p Params) error {
	if c, _ := t.Car.Connector(fill(a.Connector, p)); !c.Plugged() { // checked
		return fmt.Errorf("the plug %s is off already: another fault acts on it", fill(a.Connector, p))
	}
	return nil
}

func (a *plugAct) on(t *Target, p Params) (func(), error) {
	c, _ := t.Car.Connector(fill(a.Connector, p)) // checked
	c.Unplug()
	return c.Plug, nil
}
