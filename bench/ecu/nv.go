package ecu

import (
	"maps"
	"slices"
)

// NV is the non-volatile memory of a unit: learned values as numbers, identity
// as text. It survives reset and key-off. A fault whose cause is the unit's
// memory erases or changes it here.
type NV struct {
	numbers map[string]float64
	texts   map[string]string
}

// NewNV returns the memory as the spec delivers it, then with the identity of
// this car over it (names as in the spec: vin, calibration_id ...). A nil spec
// gives an empty memory.
func NewNV(spec *Spec, identity map[string]string) *NV {
	nv := &NV{numbers: map[string]float64{}, texts: map[string]string{}}
	if spec != nil {
		maps.Copy(nv.numbers, spec.Learned)
		maps.Copy(nv.texts, spec.Identity)
	}
	maps.Copy(nv.texts, identity)
	return nv
}

// Get returns a learned value; false when it was never learned or is erased.
func (n *NV) Get(name string) (float64, bool) {
	v, ok := n.numbers[name]
	return v, ok
}

// Set stores a learned value.
func (n *NV) Set(name string, v float64) { n.numbers[name] = v }

// Text returns a piece of identity; false when it was never written.
func (n *NV) Text(name string) (string, bool) {
	v, ok := n.texts[name]
	return v, ok
}

// SetText stores a piece of identity.
func (n *NV) SetText(name, v string) { n.texts[name] = v }

// Erase forgets the learned value and the text of that name.
func (n *NV) Erase(name string) {
	delete(n.numbers, name)
	delete(n.texts, name)
}

// Names lists what is stored, in alphabetical order.
func (n *NV) Names() []string {
	names := slices.AppendSeq(slices.Collect(maps.Keys(n.numbers)), maps.Keys(n.texts))
	slices.Sort(names)
	return slices.Compact(names)
}
