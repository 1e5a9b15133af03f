package car

import "fmt"

// WireState is what is wrong with a wire.
type WireState uint8

// The states of a circuit's signal wire, or of a rail.
const (
	Intact WireState = iota
	Open
	ShortToGround
	// ShortToSupply ties the wire to the 5 V reference.
	ShortToSupply
	// ShortToBattery ties it to battery positive; a pin clamps at ClampV.
	ShortToBattery
	// Resistive adds Wiring.Ohm in series.
	Resistive
	// Intermittent is open for Wiring.OpenPct of the time, at random.
	Intermittent
)

var wireStates = [...]string{
	Intact: "intact", Open: "open", ShortToGround: "short-to-ground", ShortToSupply: "short-to-supply",
	ShortToBattery: "short-to-battery", Resistive: "resistive", Intermittent: "intermittent",
}

func (s WireState) String() string {
	if int(s) < len(wireStates) {
		return wireStates[s]
	}
	return fmt.Sprintf("wire state %d", uint8(s))
}

// ParseWireState reads the name of a state.
func ParseWireState(name string) (WireState, error) {
	for i, n := range wireStates {
		if n == name {
			return WireState(i), nil
		}
	}
	return 0, fmt.Errorf("wire state %q, want one of %v", name, wireStates)
}

// Wiring is the state of a wire with its numbers.
type Wiring struct {
	State WireState
	// Ohm is the series resistance of a Resistive wire.
	Ohm float64
	// OpenPct is the share of time an Intermittent wire is open, in %.
	OpenPct float64
	// PeriodS is the mean time from one opening to the next, in seconds.
	PeriodS float64
}

// Check says what is wrong with the numbers.
func (w Wiring) Check() error {
	switch {
	case int(w.State) >= len(wireStates):
		return fmt.Errorf("%v, want one of %v", w.State, wireStates)
	case w.State == Resistive && !(w.Ohm > 0 && w.Ohm <= 1e7):
		return fmt.Errorf("resistance %g ohm, want above 0 to 1e7", w.Ohm)
	case w.State == Intermittent && !(w.OpenPct > 0 && w.OpenPct < 100):
		return fmt.Errorf("open %g %% of the time, want above 0 and below 100", w.OpenPct)
	case w.State == Intermittent && !(w.PeriodS >= 0.02 && w.PeriodS <= 3600):
		return fmt.Errorf("period %g s, want 0.02..3600", w.PeriodS)
	}
	return nil
}
