package bench

import (
	"fmt"
	"slices"
	"strings"

	"sawhorse/bench/fault"
	"sawhorse/bench/judge"
	"sawhorse/canbus/wire"
)

// faultBoard switches faults on and off and keeps count.
type faultBoard struct {
	rig     *Rig
	target  fault.Target
	handles []*faultHandle
	observe func(*judge.Observation)
}

// faultHandle is one fault of a run: a scenario may have the same fault of the
// catalogue twice, with different parameters.
type faultHandle struct {
	board *faultBoard
	fault *fault.Fault
}

func newFaultBoard(r *Rig) *faultBoard {
	b := &faultBoard{rig: r, observe: func(*judge.Observation) {}}
	b.target = fault.Target{
		Car: r.Car, Network: r.alter, Units: r.alter.units, DBC: r.networks.load, Chance: r.alter.seed.For,
		NV: func(ecu string) (fault.Memory, bool) {
			m, ok := r.module(ecu)
			if !ok {
				return nil, false
			}
			return m.NV(), true
		},
	}
	if r.cable != nil {
		b.target.Cable, b.target.Copper = r.cable, copper{r.wire}
		b.target.ECUCable = r.cutOff
	}
	return b
}

// add prepares a fault. The error is a usage error: an unknown fault, a wrong
// parameter, or something that this bench cannot do.
func (b *faultBoard) add(id string, params map[string]any) (*faultHandle, error) {
	f, err := fault.New(id, params)
	if err != nil {
		return nil, err
	}
	if err := f.Check(&b.target); err != nil {
		return nil, err
	}
	h := &faultHandle{board: b, fault: f}
	b.handles = append(b.handles, h)
	return h, nil
}

// retire switches the faults of a name off and forgets them, all but one.
func (b *faultBoard) retire(id string, but *faultHandle) error {
	for _, h := range b.handles {
		if h != but && h.fault.Entry().ID == id {
			if err := h.set(false); err != nil {
				return err
			}
		}
	}
	b.handles = slices.DeleteFunc(b.handles, func(h *faultHandle) bool {
		return h != but && h.fault.Entry().ID == id
	})
	return nil
}

// find is the fault of that name which was added last.
func (b *faultBoard) find(id string) *faultHandle {
	for _, h := range slices.Backward(b.handles) {
		if h.fault.Entry().ID == id {
			return h
		}
	}
	return nil
}

// set switches the fault and lets everybody know.
func (h *faultHandle) set(on bool) error {
	if h.fault.Active() == on {
		return nil
	}
	kind := judge.FaultOn
	if on {
		if err := h.fault.On(&h.board.target); err != nil {
			return err
		}
	} else {
		kind = judge.FaultOff
		h.fault.Off()
	}
	active := 0
	for _, x := range h.board.handles {
		if x.fault.Active() {
			active++
		}
	}
	h.board.rig.Metrics.Faults(active)
	o := h.board.rig.saw(kind)
	o.Fault = h.fault.Entry().ID
	h.board.observe(&o)
	return nil
}

// cable is the tool's connection to the embedded bus: the ports of whoever is
// not the bench's own. Who joins while it is off stays off.
type cable struct {
	wire  *wire.Bus
	own   func(string) bool
	off   bool
	nodes []string
}

// join tells of a node outside the bench.
func (c *cable) join(name string) {
	if c == nil || c.own(name) {
		return
	}
	if !slices.Contains(c.nodes, name) {
		c.nodes = append(c.nodes, name)
	}
	if p, ok := c.wire.Port(name); ok && c.off {
		p.Unplug()
	}
}

// leave tells that a node has gone.
func (c *cable) leave(name string) {
	if c != nil {
		c.nodes = slices.DeleteFunc(c.nodes, func(n string) bool { return n == name })
	}
}

// Pull implements fault.Cable.
func (c *cable) Pull() {
	c.off = true
	for _, name := range c.nodes {
		if p, ok := c.wire.Port(name); ok {
			p.Unplug()
		}
	}
}

// PutBack implements fault.Cable.
func (c *cable) PutBack() {
	c.off = false
	for _, name := range c.nodes {
		if p, ok := c.wire.Port(name); ok {
			p.Plug()
		}
	}
}

// copper is the wires of the embedded bus (fault.Copper).
type copper struct{ *wire.Bus }

// Sound implements fault.Copper.
func (c copper) Sound() bool { return c.Wiring() == wire.Sound && !c.IsCut() }

// Has implements fault.Copper.
func (c copper) Has(unit string) bool { _, ok := c.Port(unit); return ok }

// Short implements fault.Copper.
func (c copper) Short() { c.SetWiring(wire.StuckRecessive) }

// Cut implements fault.Copper.
func (c copper) Cut(nodes []string) error { return c.Bus.Cut(nodes...) }

// Mend implements fault.Copper.
func (c copper) Mend() {
	c.SetWiring(wire.Sound)
	c.Bus.Mend()
}

// unitCable is the connection of a control unit to the embedded bus (fault.ECUCable).
type unitCable struct{ port *wire.Port }

func (c unitCable) Pull()     { c.port.Unplug() }
func (c unitCable) PutBack()  { c.port.Plug() }
func (c unitCable) Out() bool { return !c.port.Plugged() }

// cutOff finds the connection of a control unit.
func (r *Rig) cutOff(name string) (fault.ECUCable, error) {
	if _, ok := r.module(name); !ok {
		return nil, fmt.Errorf("there is no ECU %q, want one of %s", name, strings.Join(r.titles(), ", "))
	}
	p, ok := r.port(name)
	if !ok {
		return nil, fmt.Errorf("the ECU %s is not on the bus", name)
	}
	return unitCable{p}, nil
}
