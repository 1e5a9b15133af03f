package fault

import "fmt"

func init() { register[unitAct]("unit") }

// unitAct does something to ECUs at one moment.
type unitAct struct {
	// Do is drop-session or dip.
	Do string `yaml:"do"`
}

func (a *unitAct) scope(Params) Scope { return Scope{OnNetwork, Answers} }

func (a *unitAct) terms() terms { return terms{} }

func (a *unitAct) check(t *Target, p Params) error {
	if a.Do != "drop-session" && a.Do != "dip" {
		return fmt.Errorf("do is %q, want drop-session or dip", a.Do)
	}
	_, err := answersOf(t, p, "")
	return err
}

func (a *unitAct) free(*Target, Params) error { return nil }

func (a *unitAct) on(t *Target, p Params) (func(), error) {
	c, err := answersOf(t, p, "")
	if err != nil {
		return nil, err
	}
	for _, u := range c.units {
		if a.Do == "dip" {
			u.Dip(millis(p, "lasting"))
		} else {
			u.DropSession()
		}
	}
	return nil, nil
}
