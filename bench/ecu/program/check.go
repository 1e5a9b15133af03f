package program

import (
	"slices"
	"strings"

	"sawhorse/bench/car/strict"
)

// uses says where the file of a unit speaks of its program: by the keys on the way to
// the value, the last alone where a dot is in front.
var uses = []struct {
	route, what string
	names       func(*Names) []string
}{
	{"network.hears.takes.signal", "", nil}, // the .dbc file's
	{"network.hears.takes.as", "value that the unit's program hears", func(n *Names) []string { return n.Heard }},
	{"network.hears.from", "unit that the unit's program listens to", func(n *Names) []string { return n.Partners }},
	{"outputs.output", "output of the unit's program", func(n *Names) []string { return n.Outputs }},
	{".sets.output", "output of the unit's program", func(n *Names) []string { return n.Outputs }},
	{"routines.learns.value", "value that the unit's program keeps", func(n *Names) []string { return n.Memory }},
	{".learned", "value that the unit's program keeps", func(n *Names) []string { return n.Memory }},
	{"routines.learns.from", "reading of the unit's program", reading},
	{"memory.coolant", "reading of the unit's program", reading},
	{"memory.speed", "reading of the unit's program", reading},
	{"memory.ambient", "reading of the unit's program", reading},
	{"memory.baro", "reading of the unit's program", reading},
	{"memory.similar.rpm", "reading of the unit's program", reading},
	{"memory.similar.load", "reading of the unit's program", reading},
	{"obd.results.and", "reading of the unit's program", reading},
	{".signal", "reading of the unit's program", reading},
}

func reading(n *Names) []string { return n.Readings }

// identities are the texts that every unit has from its car, by their beginning.
var identities = []string{"vin", "ecu_name", "calibration_id_", "cvn_"}

func isIdentity(name string) bool {
	return slices.ContainsFunc(identities, func(i string) bool { return name == i || strings.HasSuffix(i, "_") && strings.HasPrefix(name, i) })
}

// Check looks at each name by which a unit's file speaks of its program. The error tells
// the first that the program does not have, with its place and the nearest that it has.
func (n Names) Check(doc *strict.Doc) error {
	scalars := doc.Scalars()
	stored := slices.Clone(n.Memory)
	for _, s := range scalars {
		if s.Keys[0] == "identity" {
			stored = append(stored, s.Under())
		}
	}
	for _, s := range scalars {
		if s.Keys[0] == "program" {
			continue // its own file's, checked as a whole
		}
		route := s.Route()
		switch {
		case s.Keys[0] == "learned" && len(s.Keys) == 2:
			s.Text, route = s.Under(), "routines.learns.value"
		case s.Under() == "stored" && !isIdentity(s.Text):
			if err := doc.Name(&s, "value that the unit stores", slices.Sorted(slices.Values(stored))); err != nil {
				return err
			}
		}
		for _, u := range uses {
			if route != u.route && !(strings.HasPrefix(u.route, ".") && strings.HasSuffix("."+route, u.route)) {
				continue
			}
			if u.names != nil {
				if err := doc.Name(&s, u.what, slices.Sorted(slices.Values(u.names(&n)))); err != nil {
					return err
				}
			}
			break
		}
	}
	return nil
}
