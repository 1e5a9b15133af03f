package program

import (
	"slices"
	"strings"

	"sawhorse/bench/car/strict"
)

// use is where the file of a unit speaks of its program: by the last keys on the way to
// the value.
type use struct {
	keys  []string
	what  string
	names func(*Names) []string
}

const readingOf = "reading of the unit's program"

// uses are by the last key; of several the first that fits counts.
var uses = map[string][]use{
	"as":      {{[]string{"takes", "as"}, "value that the unit's program hears", func(n *Names) []string { return n.Heard }}},
	"from":    {{[]string{"hears", "from"}, "unit that the unit's program listens to", func(n *Names) []string { return n.Partners }}, {[]string{"learns", "from"}, readingOf, readings}},
	"output":  {{[]string{"output"}, "output of the unit's program", func(n *Names) []string { return n.Outputs }}},
	"value":   {{[]string{"learns", "value"}, keeps, memory}},
	"learned": {{[]string{"learned"}, keeps, memory}},
	"coolant": {{[]string{"memory", "coolant"}, readingOf, readings}},
	"speed":   {{[]string{"memory", "speed"}, readingOf, readings}},
	"ambient": {{[]string{"memory", "ambient"}, readingOf, readings}},
	"baro":    {{[]string{"memory", "baro"}, readingOf, readings}},
	"rpm":     {{[]string{"similar", "rpm"}, readingOf, readings}},
	"load":    {{[]string{"similar", "load"}, readingOf, readings}},
	"and":     {{[]string{"results", "and"}, readingOf, readings}},
	// Of takes it is one of the .dbc file.
	"signal": {{[]string{"takes", "signal"}, "", nil}, {[]string{"signal"}, readingOf, readings}},
}

const keeps = "value that the unit's program keeps"

func readings(n *Names) []string { return n.Readings }

func memory(n *Names) []string { return n.Memory }

// identities are the texts that every unit has from its car, by their beginning.
var identities = []string{"vin", "ecu_name", "calibration_id_", "cvn_"}

func isIdentity(name string) bool {
	return slices.ContainsFunc(identities, func(i string) bool { return name == i || strings.HasSuffix(i, "_") && strings.HasPrefix(name, i) })
}

// Check looks at each name by which a unit's file speaks of its program. The error tells
// the first that the program does not have, with its place and the nearest that it has.
func (n Names) Check(doc *strict.Doc) error {
	stored := slices.Clone(n.Memory)
	_ = doc.Each(func(s *strict.Scalar) error {
		if s.Keys[0] == "identity" {
			stored = append(stored, s.Under())
		}
		return nil
	})
	return doc.Each(func(s *strict.Scalar) error {
		switch {
		case s.Keys[0] == "program":
			return nil // its own part, checked as a whole
		case s.Keys[0] == "learned" && len(s.Keys) == 2:
			s.Text = s.Under()
			return doc.Name(s, keeps, n.Memory)
		case s.Under() == "stored" && !isIdentity(s.Text):
			return doc.Name(s, "value that the unit stores", stored)
		}
		for _, u := range uses[s.Under()] {
			if !s.Within(u.keys...) {
				continue
			}
			if u.names == nil {
				return nil
			}
			return doc.Name(s, u.what, u.names(&n))
		}
		return nil
	})
}
