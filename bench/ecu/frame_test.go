package ecu

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// Freeze frame 00 (ISO 15031-5): the first code that needs it keeps it; misfire
// and fuel system codes replace others, never the reverse; erased with its code.
func TestFreezeFramePriority(t *testing.T) {
	l := newLife(t)
	l.m.BeginCycle()
	l.m.Started()
	l.test("P0442", true)
	assert.Equal(t, DTC(0x0442), l.m.frameCode(), "pending is enough")
	l.test("P0420", true)
	assert.Equal(t, DTC(0x0442), l.m.frameCode(), "first come")
	l.test("P0335", true)
	assert.Equal(t, DTC(0x0335), l.m.frameCode(), "a confirmed code before a pending one")
	l.test("P0171", true)
	assert.Equal(t, DTC(0x0171), l.m.frameCode(), "fuel system before others")
	l.test("P0102", true)
	assert.Equal(t, DTC(0x0171), l.m.frameCode(), "never the reverse")
	l.test("C0035", true)
	l.m.Clear(0x017100)
	assert.Zero(t, l.m.frameCode(), "erased together with its code")
}

func TestFreezeFrameGoesWithAPendingCodeThatProvedClean(t *testing.T) {
	l := newLife(t)
	l.drive("P0420!")
	assert.Equal(t, DTC(0x0420), l.m.frameCode())
	l.drive("P0420")
	assert.Zero(t, l.m.frameCode())
	l.drive("C0035!")
	assert.Zero(t, l.m.frameCode(), "a chassis code has no OBD freeze frame")
}

func TestFreezeFrameHoldsTheValuesOfTheMoment(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.plant.set("engine_rpm", 604)
	r.plant.set("coolant_c", 83)
	r.fail("P0102")
	r.plant.set("engine_rpm", 3000)
	r.plant.set("coolant_c", 95)
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
	r.mem.Clear(emissionGroup)
	assert.Equal(t, "41 01 00 07 65 65", r.call("01 01"))
	r.pass("P0442")
	assert.Equal(t, "41 41 00 07 65 65", r.call("01 41"), "with the engine off no monitor completes")
	r.plant.warmIdle()
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

// A warm-up cycle: a rise of 22 K and 70 degC (UN Regulation 83 annex 11, WLTP).
func TestWarmUpCycle(t *testing.T) {
	for _, c := range []struct {
		name      string
		from, to  float64
		warmUp    bool
		engineOff bool
	}{
		{"cold start to warm", 20, 80, true, false},
		{"just", 48, 70, true, false},
		{"not warm enough", 20, 69.5, false, false},
		{"not enough of a rise", 60, 81.5, false, false},
		{"engine not running", 20, 80, false, true},
	} {
		m := NewMemory(tinySpec(t, ""))
		m.BeginCycle()
		m.Observe(0, Vehicle{CoolantC: c.from})
		m.Observe(time.Second, Vehicle{Running: !c.engineOff, CoolantC: c.from})
		m.Observe(2*time.Second, Vehicle{Running: !c.engineOff, CoolantC: c.to})
		m.Observe(3*time.Second, Vehicle{Running: !c.engineOff, CoolantC: c.to})
		want := uint8(0)
		if c.warmUp {
			want = 1
		}
		assert.Equal(t, want, m.life.warmUps, c.name)
	}
}

// PIDs 21 30 31 4D 4E: 36 km/h for 100 s is 1 km.
func TestCounters(t *testing.T) {
	l := newLife(t)
	drive := func(seconds int, kmh float64) {
		l.m.BeginCycle()
		for range seconds + 1 {
			l.m.Observe(l.now, Vehicle{Running: true, CoolantC: 90, Kmh: kmh})
			l.now += time.Second
		}
	}
	drive(1200, 90)
	assert.InDelta(t, 30, l.m.life.clearKm, 1e-9)
	assert.InDelta(t, 20, l.m.life.clearMinutes, 1e-9)
	assert.Zero(t, l.m.life.milKm)
	l.test("P0335", true)
	l.m.EndCycle()
	drive(600, 36)
	assert.InDelta(t, 36, l.m.life.clearKm, 1e-9)
	assert.InDelta(t, 6, l.m.life.milKm, 1e-9)
	assert.InDelta(t, 10, l.m.life.milMinutes, 1e-9)
	l.m.Clear(allGroups)
	assert.Zero(t, l.m.life.clearKm+l.m.life.clearMinutes+l.m.life.milKm+l.m.life.milMinutes)
	assert.Equal(t, uint16(65535), saturate(70000), "stops at its end (SAE J1979)")
	assert.Equal(t, uint16(409), saturate(409.9))
}
