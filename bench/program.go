package bench

import (
	"fmt"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/ecu"
	"sawhorse/bench/ecu/app"
	"sawhorse/bench/signal"
)

// program is what an ECU does apart from diagnostics.
type program interface {
	Step(now time.Duration)
	Restart()
	// Heard is what the program hears of other ECUs.
	Heard() *signal.Table
}

// newProgram builds the program of the ECU of that name, and the table of what
// it reads.
func newProgram(name string, c *car.Car, mem *ecu.Memory, nv *ecu.NV) (program, *signal.Table, error) {
	switch name {
	case "engine":
		p, err := app.NewEngine(c, mem, nv)
		if err != nil {
			return nil, nil, err
		}
		return p, p.Readings, nil
	case "brake":
		p, err := app.NewBrake(c, mem, nv)
		if err != nil {
			return nil, nil, err
		}
		return p, p.Readings, nil
	case "gearbox":
		p, err := app.NewGearbox(c, mem, nv)
		if err != nil {
			return nil, nil, err
		}
		return p, p.Readings, nil
	case "gateway":
		p, err := app.NewGateway(c, mem, nv)
		if err != nil {
			return nil, nil, err
		}
		return p, p.Readings, nil
	case "cluster":
		p, err := app.NewCluster(c, mem, nv)
		if err != nil {
			return nil, nil, err
		}
		return p, p.Readings, nil
	case "body":
		p, err := app.NewBody(c, mem, nv)
		if err != nil {
			return nil, nil, err
		}
		return p, p.Readings, nil
	}
	return nil, nil, fmt.Errorf("there is no program for an ECU named %q, want engine, gearbox, brake, gateway, body or cluster", name)
}

// plant joins a diagnostic server to the program of its ECU.
type plant struct{ program }

// Reset implements ecu.Plant.
func (p plant) Reset(ecu.ResetKind) { p.Restart() }

// Routine implements ecu.Plant.
func (p plant) Routine(name, step string) {
	if r, ok := p.program.(interface{ Routine(name, step string) }); ok {
		r.Routine(name, step)
	}
}

// Control implements ecu.Plant.
func (p plant) Control(name string, value float64, active bool) {
	if c, ok := p.program.(interface {
		Control(name string, value float64, active bool)
	}); ok {
		c.Control(name, value, active)
	}
}

// Boot implements ecu.Plant.
func (p plant) Boot(on bool) {
	if b, ok := p.program.(interface{ Boot(on bool) }); ok {
		b.Boot(on)
	}
}

// Communicate implements ecu.Plant. The unit's module stops its messages itself; the
// program has nothing to do.
func (p plant) Communicate(bool, bool) {}
