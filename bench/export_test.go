package bench

import (
	"sawhorse/bench/ecu/gateway"
	ecu "sawhorse/bench/ecu/unit"
	"sawhorse/bench/fault"
	"sawhorse/canbus"
)

// Module gives tests a control unit; nil if the car has none of that name.
func (b *Bench) Module(name string) *ecu.Unit {
	if u, ok := b.unit(name); ok {
		return u.module
	}
	return nil
}

// CutOff gives tests the connection of a control unit.
func CutOff(b *Bench, name string) (fault.ECUCable, error) { return b.cutOff(name) }

// FarBus is one of the buses behind gateways.
func FarBus(b *Bench, i int) canbus.Bus { return b.far[i] }

// GatewayStats are what the first gateway did.
func GatewayStats(b *Bench) gateway.Stats { return b.gateways[0].Stats() }

// Answering gives tests the control units as faults of their answers have them.
func Answering(b *Bench, name string) ([]fault.Unit, error) { return b.answering(name) }

// PlugIn has nodes hang on the tool's cable, as those that join from outside do.
func PlugIn(b *Bench, nodes ...string) {
	for _, n := range nodes {
		b.cable.join(n)
	}
}
