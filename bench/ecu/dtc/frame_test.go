package dtc

import (
	"testing"
	"time"

	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
)

// Freeze frame 00 (ISO 15031-5): the first code that needs it keeps it; misfire
// and fuel system codes replace others, never the reverse; erased with its code.
func TestFreezeFramePriority(t *testing.T) {
	l := newLife(t)
	l.m.BeginCycle()
	l.m.Started()
	l.test("P0442", true)
	assert.Equal(t, uds.DTC(0x0442), l.m.FrameCode(), "pending is enough")
	l.test("P0420", true)
	assert.Equal(t, uds.DTC(0x0442), l.m.FrameCode(), "first come")
	l.test("P0335", true)
	assert.Equal(t, uds.DTC(0x0335), l.m.FrameCode(), "a confirmed code before a pending one")
	l.test("P0171", true)
	assert.Equal(t, uds.DTC(0x0171), l.m.FrameCode(), "fuel system before others")
	l.test("P0102", true)
	assert.Equal(t, uds.DTC(0x0171), l.m.FrameCode(), "never the reverse")
	l.test("C0035", true)
	l.m.Clear(0x017100)
	assert.Zero(t, l.m.FrameCode(), "erased together with its code")
}

func TestFreezeFrameGoesWithAPendingCodeThatProvedClean(t *testing.T) {
	l := newLife(t)
	l.drive("P0420!")
	assert.Equal(t, uds.DTC(0x0420), l.m.FrameCode())
	l.drive("P0420")
	assert.Zero(t, l.m.FrameCode())
	l.drive("C0035!")
	assert.Zero(t, l.m.FrameCode(), "a chassis code has no OBD freeze frame")
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
		m := New(tinySpec(t, ""))
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
	l.m.Clear(uds.AllGroups)
	assert.Zero(t, l.m.life.clearKm+l.m.life.clearMinutes+l.m.life.milKm+l.m.life.milMinutes)
	assert.Equal(t, uint16(65535), saturate(70000), "stops at its end (SAE J1979)")
	assert.Equal(t, uint16(409), saturate(409.9))
}
