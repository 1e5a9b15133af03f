package bench

import (
	"sawhorse/bench/ecu"
	"sawhorse/bench/ecu/app"
)

// plant joins a diagnostic server to the program of its ECU.
type plant struct{ app.Program }

// Reset implements ecu.Plant.
func (p plant) Reset(ecu.ResetKind) { p.Restart() }

// Communicate implements ecu.Plant. The unit's module stops its messages itself; the
// program has nothing to do.
func (p plant) Communicate(bool, bool) {}
