package nv

import (
	"maps"
	"slices"

	"sawhorse/bench/ecu/spec"
)

// Memory is the non-volatile memory of a unit: learned values as numbers, identity
// as text. It survives reset and key-off. A fault whose cause is the unit's
// memory erases or changes it here.
type Memory struct {
	numbers map[string]float64
	texts   map[string]string
	images  map[string][]byte
	// known are the names that the unit has a use for, stored or not.
	known map[string]bool
}

// New returns the memory as the description delivers it, then with the identity of
// this car over it (names as in the spec: vin, calibration_id ...). A nil unit
// gives an empty memory.
func New(u *spec.Unit, identity map[string]string) *Memory {
	m := &Memory{numbers: map[string]float64{}, texts: map[string]string{}, images: map[string][]byte{}, known: map[string]bool{}}
	if u != nil {
		maps.Copy(m.numbers, u.Learned)
		maps.Copy(m.texts, u.Identity)
		for i := range u.Routines {
			for k := range u.Routines[i].Learns {
				m.known[u.Routines[i].Learns[k].Value] = true
			}
		}
	}
	maps.Copy(m.texts, identity)
	for _, name := range m.Names() {
		m.known[name] = true
	}
	return m
}

// Get returns a learned value; false when it was never learned or is erased.
func (m *Memory) Get(name string) (float64, bool) {
	v, ok := m.numbers[name]
	return v, ok
}

// Set stores a learned value.
func (m *Memory) Set(name string, v float64) { m.numbers[name], m.known[name] = v, true }

// Text returns a piece of identity; false when it was never written.
func (m *Memory) Text(name string) (string, bool) {
	v, ok := m.texts[name]
	return v, ok
}

// SetText stores a piece of identity.
func (m *Memory) SetText(name, v string) { m.texts[name], m.known[name] = v, true }

// Bytes returns an image of memory; false when it was never written. The bytes are
// the memory's own.
func (m *Memory) Bytes(name string) ([]byte, bool) {
	b, ok := m.images[name]
	return b, ok
}

// SetBytes stores an image of memory; the bytes become the memory's.
func (m *Memory) SetBytes(name string, b []byte) { m.images[name] = b }

// Erase forgets the learned value, the text and the image of that name.
func (m *Memory) Erase(name string) {
	delete(m.numbers, name)
	delete(m.texts, name)
	delete(m.images, name)
}

// Knows reports whether the unit has a use for a name: it is stored, was once, or a
// routine learns it.
func (m *Memory) Knows(name string) bool { return m.known[name] }

// Has reports whether a number or a text is stored under that name.
func (m *Memory) Has(name string) bool {
	_, number := m.numbers[name]
	_, text := m.texts[name]
	return number || text
}

// Names lists what is stored, in alphabetical order.
func (m *Memory) Names() []string {
	// any order: sorted below
	names := slices.AppendSeq(slices.Collect(maps.Keys(m.numbers)), maps.Keys(m.texts))
	slices.Sort(names)
	return slices.Compact(names)
}
