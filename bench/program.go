package bench

import (
	"sawhorse/bench/car"
	"sawhorse/bench/ecu/app"
	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/program"
	"sawhorse/bench/ecu/server"
	"sawhorse/bench/ecu/spec"
)

// programOf builds the program of a unit: that of its file, or the one of its name.
func programOf(s *spec.Unit, c *car.Car, mem *dtc.Memory, nv *nv.Memory) (app.Program, error) {
	if s.Program != nil {
		return app.FromData(s.Name, s.Program, c, mem, nv)
	}
	if !app.Has(s.Name) {
		return nil, s.NoProgram(app.Programs())
	}
	return app.New(s.Name, c, mem, nv)
}

// checkNames checks the names of a unit's file against those that its program declares,
// once for all cars of a spec: the programs of two have the same names.
func checkNames(c *car.Spec, s *spec.Unit, p app.Program) error {
	_, err := car.Derived(c, "names of "+s.Name, func() (program.Names, error) {
		names := p.Declared()
		return names, s.CheckNames(names)
	})
	return err
}

// checkLearned checks what a finished car has learned against what its programs keep.
func checkLearned(c *car.Spec, units []*unit) error {
	declared := map[string]program.Names{}
	for _, u := range units {
		declared[u.module.Name()] = u.program.Declared()
	}
	return app.CheckLearned(c, declared)
}

// application joins a diagnostic server to the program of its ECU.
type application struct{ app.Program }

// Reset implements server.Application.
func (p application) Reset(server.ResetKind) { p.Restart() }

// Communicate implements server.Application. The unit's module stops its messages itself; the
// program has nothing to do.
func (p application) Communicate(bool, bool) {}
