package nv

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"sawhorse/bench/ecu/spec"
)

// What is learned stays until it is erased; a unit has a use for what it delivers with, for
// what a routine learns, and for what it once had.
func TestWhatIsKept(t *testing.T) {
	u := &spec.Unit{
		Learned:  map[string]float64{"clutch_rest_v": 0.9},
		Identity: map[string]string{"vin": "none", "part": "4812"},
		Routines: []spec.Routine{{Learns: []spec.Learn{{Value: "crank_variation"}}}},
	}
	m := New(u, map[string]string{"vin": "0PT48VM60R1000048"})
	assert.Equal(t, []string{"clutch_rest_v", "part", "vin"}, m.Names())
	vin, ok := m.Text("vin")
	assert.True(t, ok)
	assert.Equal(t, "0PT48VM60R1000048", vin, "the car's identity goes over the unit's")

	assert.True(t, m.Knows("crank_variation"), "a routine learns it")
	assert.False(t, m.Has("crank_variation"))
	m.Set("crank_variation", 0.25)
	v, ok := m.Get("crank_variation")
	assert.True(t, ok)
	assert.InDelta(t, 0.25, v, 0)
	m.Erase("crank_variation")
	assert.False(t, m.Has("crank_variation"))
	assert.True(t, m.Knows("crank_variation"), "once had")
	assert.False(t, m.Knows("nothing"))

	m.SetBytes("application", []byte{1, 2})
	b, ok := m.Bytes("application")
	assert.True(t, ok)
	assert.Equal(t, []byte{1, 2}, b)
	assert.NotContains(t, m.Names(), "application", "an image is no learned value")
	m.Erase("application")
	_, ok = m.Bytes("application")
	assert.False(t, ok)
}
