package bench

import (
	"sawhorse/bench/ecu"
	"sawhorse/bench/ecu/gateway"
	"sawhorse/bench/fault"
	"sawhorse/canbus"
)

// Module gives tests a control unit; nil if the car has none of that name.
func (r *Rig) Module(name string) *ecu.Module {
	m, _ := r.module(name)
	return m
}

// Record has a recorder get every frame of a rig's buses.
func Record(r *Rig, to Recorder) { r.watch.record = to }

// CutOff gives tests the connection of a control unit.
func CutOff(r *Rig, name string) (fault.ECUCable, error) { return r.cutOff(name) }

// FarBus is one of the buses behind gateways.
func FarBus(r *Rig, i int) canbus.Bus { return r.far[i] }

// GatewayStats are what the first gateway did.
func GatewayStats(r *Rig) gateway.Stats { return r.gateways[0].Stats() }
