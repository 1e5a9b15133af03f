package server

import (
	"strings"
	"testing"
	"time"

	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
)

func TestFreezeFrameHoldsTheValuesOfTheMoment(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.plant.Set("engine_rpm", 604)
	r.plant.Set("coolant_c", 83)
	r.fail("P0102")
	r.plant.Set("engine_rpm", 3000)
	r.plant.Set("coolant_c", 95)
	assert.Equal(t, "42 02 00 01 02", r.call("02 02 00"), "the code that stored it")
	assert.Equal(t, "42 0C 00 09 70", r.call("02 0C 00"), "worked example of SAE J1979: 604 rpm")
	assert.Equal(t, "42 0C 00 09 70 05 00 7B 02 00 01 02", r.call("02 0C 00 05 00 02 00"))
	assert.Equal(t, "", r.call("02 0C 01"), "frame 01 does not exist")
	assert.Equal(t, "", r.call("02 5C 00"), "not in the frame")
	r.answers(true, "04", time.Second)
	assert.Equal(t, "", r.call("02 0C 00"), "erased")
	assert.Equal(t, "42 02 00 00 00", r.call("02 02 00"))
}

// PID 01 and 41 of SAE J1979, spark ignition: 83 07 65 00 is lamp on, three
// codes, all ready; after a clear 00 07 65 65.
func TestReadinessBytes(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Equal(t, "41 01 00 07 65 00", r.call("01 01"))
	assert.Equal(t, "41 41 00 07 65 65", r.call("01 41"), "a new cycle, nothing tested yet")
	for _, code := range []string{"P080A", "P0335", "P0102"} {
		r.fail(code)
	}
	assert.Equal(t, "41 01 83 07 65 00", r.call("01 01"))
	r.mem.Clear(uds.EmissionGroup)
	assert.Equal(t, "41 01 00 07 65 65", r.call("01 01"))
	r.pass("P0442")
	assert.Equal(t, "41 41 00 07 65 65", r.call("01 41"), "with the engine off no monitor completes")
	r.plant.WarmIdle()
	r.wait(12 * time.Second)
	for _, code := range strings.Fields("P0131 P0132 P0151 P0152 P0134 P0154 P0133 P0153 P0137 P0138 P0140 P0157 P0158 P0160 P0135 P0155 P0141 P0161 P0442 P0441 P0446 P0455 P0496 P0420") {
		r.pass(code)
	}
	assert.Equal(t, "41 41 00 07 65 01", r.call("01 41"), "worked example: the catalyst is not finished")
	complete, ok := r.mem.Ready("catalyst")
	assert.True(t, ok)
	assert.False(t, complete, "one of two banks")
	r.pass("P0430")
	assert.Equal(t, "41 01 00 07 65 00", r.call("01 01"))
	_, ok = r.mem.Ready("egr")
	assert.False(t, ok, "the engine has none")
}

// A lamp that the program lights itself is commanded on in PID 01, without any code, for
// the rest of the drive (SAE J1979; 13 CCR 1968.2 (d)(2.1)).
func TestALampWithoutACode(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.mem.AskLamp()
	assert.Equal(t, "41 01 80 07 65 00", r.call("01 01"))
	r.mem.EndCycle()
	assert.False(t, r.mem.MIL())
	r.mem.AskLamp()
	assert.False(t, r.mem.MIL(), "no operation cycle")
	r.mem.BeginCycle()
	assert.Equal(t, "41 01 00 07 65 00", r.call("01 01"))
}
