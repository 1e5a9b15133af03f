package server

import (
	"testing"
	"time"

	"sawhorse/bench/ecu/ecutest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// lose takes the supply away for a second.
func (r *rig) lose() {
	r.server.Power(r.now, false)
	r.wait(time.Second)
	r.server.Power(r.now, true)
	r.wait(time.Second)
}

// begin unlocks programming and starts to erase.
func (r *rig) beginErasing() {
	r.t.Helper()
	r.ask("10 03")
	r.ask("10 02")
	require.Equal(r.t, "67 04", r.tryKey(2, true))
	require.Equal(r.t, "71 01 FF 00 01", r.ask("31 01 FF 00 "+ecutest.WholeRegion))
}

// program brings a whole image in, up to the check.
func (r *rig) program(b []byte) {
	r.t.Helper()
	r.toProgramming()
	require.Equal(r.t, "74 20 01 02", r.ask("34 00 "+ecutest.WholeRegion))
	r.blocks(b, len(b))
	require.Equal(r.t, "77", r.ask("37"))
}

// Supply lost in any stage of programming leaves a unit that can be programmed: while
// it erases, before the end of the transfer is told, while the checksum is worked out,
// and after a wrong one. Only a verified image starts.
func TestSupplyLostInEveryStageOfProgramming(t *testing.T) {
	wrong := ecutest.Image(0x33)
	wrong[0x1234] ^= 1
	for _, c := range []struct {
		name string
		do   func(r *rig)
		boot bool
	}{
		{"before anything is erased", func(r *rig) { r.ask("10 03"); r.ask("10 02"); r.tryKey(2, true) }, false},
		{"at the first moment of erasing", func(r *rig) { r.beginErasing() }, true},
		{"while it erases", func(r *rig) { r.beginErasing(); r.wait(700 * time.Millisecond) }, true},
		{"all data sent, no end told", func(r *rig) {
			r.toProgramming()
			r.ask("34 00 " + ecutest.WholeRegion)
			b := ecutest.Image(0x33)
			r.blocks(b, len(b))
		}, true},
		{"not verified", func(r *rig) { r.program(ecutest.Image(0x33)) }, true},
		{"while it verifies", func(r *rig) { r.program(ecutest.Image(0x33)); r.ask("31 01 FF 01"); r.wait(200 * time.Millisecond) }, true},
		{"the checksum is wrong", func(r *rig) {
			r.program(wrong)
			r.ask("31 01 FF 01")
			r.wait(500 * time.Millisecond)
			assert.Equal(t, "71 03 FF 01 02 10", r.ask("31 03 FF 01"))
		}, true},
		{"verified", func(r *rig) { r.program(ecutest.Image(0x33)); r.ask("31 01 FF 01"); r.wait(500 * time.Millisecond) }, false},
	} {
		r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
		c.do(r)
		r.lose()
		assert.Equal(t, c.boot, r.server.Boot(), c.name)
		assert.Equal(t, c.boot, r.call("01 0C") == "", c.name)
		assert.Equal(t, "62 F1 80", r.ask("22 F1 80")[:8], "%s: it answers who it is", c.name)
		if !c.boot {
			continue
		}
		b := ecutest.Image(0x77)
		r.program(b)
		r.ask("31 01 FF 01")
		r.wait(500 * time.Millisecond)
		require.Equal(t, "71 03 FF 01 00 00", r.ask("31 03 FF 01"), c.name)
		r.ask("11 01")
		r.wait(2 * time.Second)
		assert.False(t, r.server.Boot(), "%s: programmed again", c.name)
		got, _ := r.nv.Bytes("application")
		assert.Equal(t, b, got, c.name)
	}
}
