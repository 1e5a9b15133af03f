package fault

import "fmt"

// plugAct pulls a plug off: all its circuits open together.
type plugAct struct {
	Connector string `yaml:"connector"`
}

func (a *plugAct) check(t *Target, _ Params) error {
	if _, ok := t.Car.Connector(a.Connector); !ok {
		return fmt.Errorf("the car %s has no plug %q", t.Car.Spec().Name, a.Connector)
	}
	return nil
}

func (a *plugAct) free(t *Target) error {
	if c, _ := t.Car.Connector(a.Connector); !c.Plugged() { // checked
		return fmt.Errorf("the plug %s is off already: another fault acts on it", a.Connector)
	}
	return nil
}

func (a *plugAct) on(t *Target, _ Params) (func(), error) {
	c, _ := t.Car.Connector(a.Connector) // checked
	c.Unplug()
	return c.Plug, nil
}
