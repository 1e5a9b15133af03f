package fault

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Copper is the wires of an embedded bus.
type Copper interface {
	// Sound reports whether nothing is wrong with the wires.
	Sound() bool
	// Short shorts the wires to each other, which lets nobody send. Cut opens them
	// between the nodes of the names and the rest; the error lists the nodes. Both
	// last until Mend.
	Short()
	Cut(nodes []string) error
	Mend()
	// Has reports whether a control unit sits on these wires.
	Has(unit string) bool
}

func init() { register[copperAct]("copper") }

// copperAct alters the wires of the network for all that sit on them.
type copperAct struct {
	// Do is short or open.
	Do string `yaml:"do"`
	// Apart are the nodes on one side of open wires; tool is whoever is not of the
	// bench.
	Apart []string `yaml:"apart"`
}

func (a *copperAct) scope(Params) Scope { return Scope{OnNetwork, CutsUnits | CutsTool} }

func (a *copperAct) terms() terms { return terms{} }

// outside is the name of whoever is not of the bench.
const outside = "tool"

var copperActs = []string{"open", "short"}

func (a *copperAct) check(t *Target, p Params) error {
	switch {
	case t.Copper == nil:
		return errors.New("only an embedded bus (mem: or unix:) has copper that can be altered")
	case !slices.Contains(copperActs, a.Do):
		return fmt.Errorf("do is %q, want one of %s", a.Do, strings.Join(copperActs, ", "))
	case a.Do == "open" && len(a.Apart) == 0:
		return errors.New("apart is empty, want the nodes on one side")
	}
	for _, n := range a.Apart {
		if n = fill(n, p); n != outside && !t.Copper.Has(n) {
			return fmt.Errorf("the car %s has no ECU %q on the bus with the diagnostic connector", t.Car.Spec().Name, n)
		}
	}
	return nil
}

func (a *copperAct) free(t *Target, _ Params) error {
	if !t.Copper.Sound() {
		return errors.New("the wires of the network are not sound: another fault acts on them")
	}
	return nil
}

func (a *copperAct) on(t *Target, p Params) (func(), error) {
	if a.Do == "short" {
		t.Copper.Short()
		return t.Copper.Mend, nil
	}
	var apart []string
	for _, n := range a.Apart {
		apart = append(apart, fill(n, p))
	}
	if err := t.Copper.Cut(apart); err != nil {
		return nil, err
	}
	return t.Copper.Mend, nil
}
