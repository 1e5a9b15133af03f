package bench

import (
	"fmt"
	"slices"
	"strings"

	"sawhorse/bench/fault"
	"sawhorse/canbus/wire"
)

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
func (b *Bench) cutOff(name string) (fault.ECUCable, error) {
	if _, ok := b.unit(name); !ok {
		return nil, fmt.Errorf("there is no ECU %q, want one of %s", name, strings.Join(b.unitNames(), ", "))
	}
	p, ok := b.port(name)
	if !ok {
		return nil, fmt.Errorf("the ECU %s is not on the bus", name)
	}
	return unitCable{p}, nil
}
