package tester

import (
	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
)

// seams are the places at which a habit of the tool can be another one. New sets
// them to what is right; a defect sets one of them, or wraps what is there.
type seams struct {
	// transport is how a control unit's messages are put together.
	transport func(cfg *isotp.Config)
	// leaving sees every frame on its way out, and says whether it goes; arriving
	// sees every data frame of the bus before it is taken; nil takes them as they are.
	leaving  func(f *canbus.Frame) bool
	arriving func(f *canbus.Frame)
	// asking carries out one request of a task; hearing takes one whole message that
	// came while it waits.
	asking  func(q query, then func([]*reply))
	hearing func(e *exchange, from *peer, message []byte)
	// The decoders of what was heard.
	supported func(base byte, mask []byte) []byte
	info      func(e *ECU, infotype byte, data []byte) error
	readiness func(data []byte) Readiness
	obdCodes  func(data []byte) ([]Code, error)
	udsCodes  func(data []byte) (stored, pending []Code, err error)
	value     func(g group, fourBanks bool) []Value
	// clearing is the order in which codes are cleared; checking names what speaks
	// against a learn, driving what against an output.
	clearing func() []step
	checking func(g *learning) string
	driving  func(a *actuator) string
	// telling sees the document before it is written, printing what is written,
	// exiting the status.
	telling  func(d *Document)
	printing func(output []byte) []byte
	exiting  func(status int) int
}

// properSeams are the tool as it should be.
func (t *Tester) properSeams() seams {
	return seams{
		transport: func(*isotp.Config) {},
		leaving:   func(*canbus.Frame) bool { return true },
		asking:    t.exchange,
		hearing:   (*exchange).message,
		supported: supported,
		info:      takeInfo,
		readiness: readiness,
		obdCodes:  obdCodes,
		udsCodes:  udsCodes,
		value:     group.decode,
		clearing:  t.clearSteps,
		checking:  t.unmet,
		driving:   t.undrivable,
		telling:   func(*Document) {},
		printing:  func(output []byte) []byte { return output },
		exiting:   func(status int) int { return status },
	}
}
