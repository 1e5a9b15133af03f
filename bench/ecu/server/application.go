package server

// ResetKind says why a unit starts anew: the sub-functions of service 11, or
// the return of its supply.
type ResetKind uint8

// Kinds of reset (ISO 14229-1 clause 9.3).
const (
	HardReset ResetKind = 1
	KeyReset  ResetKind = 2
	SoftReset ResetKind = 3
	PowerUp   ResetKind = 4
)

// Application is what a server has done to the rest of its unit: the unit's application
// program, which works the pins.
type Application interface {
	// Reset tells the unit's program to start anew; non-volatile memory stays.
	Reset(kind ResetKind)
	// Communicate switches the unit's normal messages (service 28).
	Communicate(receive, transmit bool)
	// Routine says which step a routine is in; "" when it has ended.
	Routine(name, step string)
	// Control has the unit's program hold an output at a value, or, when not
	// active, do with it what it wants. Names are those of the description's outputs.
	Control(name string, value float64, active bool)
	// Boot says that the unit has no whole program, so that only its boot program
	// runs: no output is driven, no message sent.
	Boot(on bool)
}

// noApplication is a unit that is nothing but its server.
type noApplication struct{}

func (noApplication) Reset(ResetKind)               {}
func (noApplication) Communicate(bool, bool)        {}
func (noApplication) Routine(string, string)        {}
func (noApplication) Control(string, float64, bool) {}
func (noApplication) Boot(bool)                     {}
