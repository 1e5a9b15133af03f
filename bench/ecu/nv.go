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
	images  map[string][]byte
	// known are the names that the unit has a use for, stored or not.
	known map[string]bool
}

// NewNV returns the memory as the spec delivers it, then with the identity of
// this car over it (names as in the spec: vin, calibration_id ...). A nil spec
// gives an empty memory.
func NewNV(spec *Spec, identity map[string]string) *NV {
	nv := &NV{numbers: map[string]float64{}, texts: map[string]string{}, images: map[string][]byte{}, known: map[string]bool{}}
	if spec != nil {
		maps.Copy(nv.numbers, spec.Learned)
		maps.Copy(nv.texts, spec.Identity)
		for i := range spec.Routines {
			for k := range spec.Routines[i].Learns {
				nv.known[spec.Routines[i].Learns[k].Value] = true
			}
		}
	}
	maps.Copy(nv.texts, identity)
	for _, name := range nv.Names() {
		nv.known[name] = true
	}
	return nv
}

// Get returns a learned value; false when it was never learned or is erased.
func (n *NV) Get(name string) (float64, bool) {
	v, ok := n.numbers[name]
	return v, ok
}

// Set stores a learned value.
func (n *NV) Set(name string, v float64) { n.numbers[name], n.known[name] = v, true }

// Text returns a piece of identity; false when it was never written.
func (n *NV) Text(name string) (string, bool) {
	v, ok := n.texts[name]
	return v, ok
}

// SetText stores a piece of identity.
func (n *NV) SetText(name, v string) { n.texts[name], n.known[name] = v, true }

// Bytes returns an image of memory; false when it was never written. The bytes are
// the memory's own.
func (n *NV) Bytes(name string) ([]byte, bool) {
	b, ok := n.images[name]
	return b, ok
}

// SetBytes stores an image of memory; the bytes become the memory's.
func (n *NV) SetBytes(name string, b []byte) { n.images[name] = b }

// Erase forgets the learned value, the text and the image of that name.
func (n *NV) Erase(name string) {
	delete(n.numbers, name)
	delete(n.texts, name)
	delete(n.images, name)
}

// Knows reports whether the unit has a use for a name: it is stored, was once, or a
// routine learns it.
func (n *NV) Knows(name string) bool { return n.known[name] }

func (n *NV) has(name string) bool {
	_, number := n.numbers[name]
	_, text := n.texts[name]
	return number || text
}

// Names lists what is stored, in alphabetical order.
func (n *NV) Names() []string {
	names := slices.AppendSeq(slices.Collect(maps.Keys(n.numbers)), maps.Keys(n.texts))
	slices.Sort(names)
	return slices.Compact(names)
}
