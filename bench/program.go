package bench

import (
	"sawhorse/bench/car"
	"sawhorse/bench/ecu"
	"sawhorse/bench/ecu/app"
)

// programOf builds the program of a unit: that of its file, or the one of its name.
func programOf(s *ecu.Spec, c *car.Car, mem *ecu.Memory, nv *ecu.NV) (app.Program, error) {
	if s.App != nil {
		return app.FromData(s.Name, s.App, c, mem, nv)
	}
	if !app.Has(s.Name) {
		return nil, s.NoProgram(app.Programs())
	}
	return app.New(s.Name, c, mem, nv)
}

// plant joins a diagnostic server to the program of its ECU.
type plant struct{ app.Program }

// Reset implements ecu.Plant.
func (p plant) Reset(ecu.ResetKind) { p.Restart() }

// Communicate implements ecu.Plant. The unit's module stops its messages itself; the
// program has nothing to do.
func (p plant) Communicate(bool, bool) {}
