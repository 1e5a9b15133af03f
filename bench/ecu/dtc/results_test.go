package dtc

import (
	"testing"

	"sawhorse/bench/ecu/spec"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// The worked row of SAE J1979: 0.365 V is 0BB0 in 0.122 mV.
func TestScalingOfTheWorkedRow(t *testing.T) {
	assert.EqualValues(t, 0x0BB0, raw(&spec.Result{UAS: 0x0A}, 0.365024))
	assert.EqualValues(t, 72, raw(&spec.Result{UAS: 0x10}, 0.072))
	rapid.Check(t, func(rt *rapid.T) {
		uas := rapid.SampledFrom([]uint8{0x01, 0x0A, 0x16, 0x2F, 0x83, 0x96}).Draw(rt, "uas")
		n := rapid.Int16().Draw(rt, "raw")
		k := scalingOf(uas)
		want := uint16(n)
		v := float64(n)
		if uas < 0x80 {
			v = float64(want)
		}
		assert.Equal(rt, want, raw(&spec.Result{UAS: uas}, v*k.Scale+k.Offset))
	})
}
