package bench

import "sawhorse/bench/ecu"

// Module gives tests a control unit; nil if the car has none of that name.
func (r *Rig) Module(name string) *ecu.Module {
	m, _ := r.module(name)
	return m
}
