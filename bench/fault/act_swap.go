package fault

import "fmt"

func init() { register[swapAct]("swap_pins") }

// swapAct exchanges the pins of two sensor circuits.
type swapAct struct {
	Circuits [2]string `yaml:"circuits"`
}

func (a *swapAct) scope(Params) Scope { return Scope{InCar, CarOnly} }

func (a *swapAct) terms() terms { return terms{names: a.Circuits[:]} }

func (a *swapAct) check(t *Target, p Params) error {
	for _, n := range a.Circuits {
		x, err := circuitOf(t, fill(n, p))
		if err != nil {
			return err
		}
		if !x.Senses() {
			return fmt.Errorf("the circuit %s has no sensing element, want two sensors", x.Name())
		}
	}
	return nil
}

func (a *swapAct) free(t *Target, p Params) error {
	for _, n := range a.Circuits {
		if x, _ := t.Car.Circuit(fill(n, p)); t.Car.Swapped(x) { // checked
			return fmt.Errorf("the pin of %s is exchanged already: another fault acts on it", x.Name())
		}
	}
	return nil
}

func (a *swapAct) on(t *Target, p Params) (func(), error) {
	x, _ := t.Car.Circuit(fill(a.Circuits[0], p)) // checked
	y, _ := t.Car.Circuit(fill(a.Circuits[1], p))
	t.Car.SwapPins(x, y)
	return func() { t.Car.SwapPins(x, y) }, nil
}
