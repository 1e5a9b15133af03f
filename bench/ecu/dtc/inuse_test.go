package dtc

import (
	"math"
	"testing"
	"time"

	"sawhorse/bench/ecu/ecutest"
	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
)

// Infotype 08: OBDCOND, IGNCNTR, then completions and conditions in the order
// of SAE J1979; a completion counts once in a driving cycle.
func TestInUseCounters(t *testing.T) {
	l := newLife(t)
	l.generalDrive("P0420 P0420")
	l.generalDrive("P0442")
	b := l.m.appendInUse(nil)
	assert.Equal(t, "00 02 00 02 "+ // general conditions twice, two starts
		"00 01 00 02 00 00 00 00 "+ // catalyst bank 1 and 2
		"00 00 00 00 00 00 00 00 "+ // oxygen sensors
		"00 00 00 00 00 00 00 00 "+ // EGR, secondary air
		"00 01 00 02", ecutest.Spaced(b)) // evap
	l.m.Clear(uds.AllGroups)
	assert.Equal(t, b, l.m.appendInUse(nil), "service 04 leaves them")
	l.drive("P0420")
	assert.Equal(t, "00 02 00 02 00 02 00 02", ecutest.Spaced(l.m.appendInUse(nil)[:8]),
		"without two seconds of running it is no ignition, without the conditions the monitor alone counts")
}

// What makes a drive count: 13 CCR 1968.2 (d)(4.3.2), (B) for all, (D) for the tank.
func TestConditionsOfTheInUseCounters(t *testing.T) {
	// Standard atmosphere (ISO 2533) at 8000 feet.
	high := 101.325 * math.Pow(1-0.0065*8000*0.3048/288.15, 5.2559)
	for _, c := range []struct {
		name          string
		change        func(v *Vehicle, s int)
		general, evap uint16
	}{
		{"all met", func(*Vehicle, int) {}, 1, 1},
		{"a second too short", func(v *Vehicle, s int) { v.Running = s > 1 }, 0, 0},
		{"too slow", func(v *Vehicle, _ int) { v.Kmh = min(v.Kmh, 39) }, 0, 0},
		{"idle with a break", func(v *Vehicle, s int) { v.Idle = s < 40 && s != 20 }, 0, 0},
		{"idle before the break", func(v *Vehicle, s int) { v.Idle = s < 40 && s != 32 }, 1, 1},
		{"as cold as can be", func(v *Vehicle, _ int) { v.AmbientC = -6.6 }, 1, 0},
		{"too cold", func(v *Vehicle, _ int) { v.AmbientC = -6.7 }, 0, 0},
		{"too cold for one second", func(v *Vehicle, s int) {
			if s == 300 {
				v.AmbientC = -20
			}
		}, 0, 0},
		{"just below 8000 feet", func(v *Vehicle, _ int) { v.BaroKPa = high + 0.1 }, 1, 1},
		{"above 8000 feet", func(v *Vehicle, _ int) { v.BaroKPa = high - 0.1 }, 0, 0},
		{"a warm start", func(v *Vehicle, _ int) { v.CoolantC += 20 }, 1, 0},
		{"warmer than the air by 12 degF", func(v *Vehicle, _ int) { v.CoolantC += 18 + 6.6 - 20 }, 1, 1},
		{"warmer than that", func(v *Vehicle, _ int) { v.CoolantC += 18 + 6.7 - 20 }, 1, 0},
		{"a hot day", func(v *Vehicle, _ int) { v.AmbientC, v.CoolantC = 36, v.CoolantC+15 }, 1, 0},
		{"a fresh day", func(v *Vehicle, _ int) { v.AmbientC, v.CoolantC = 4, v.CoolantC-15 }, 1, 0},
	} {
		l := newLife(t)
		l.driveIn(c.change, "")
		assert.Equal(t, c.general, l.m.life.conditions, c.name)
		assert.Equal(t, c.general, l.m.ratios[0].conditions, c.name)
		assert.Equal(t, c.evap, l.m.ratios[6].conditions, c.name)
	}
}

// Counters show what a drive has reached while it still goes on: within ten seconds.
func TestInUseCountersCountAtOnce(t *testing.T) {
	l := newLife(t)
	l.m.BeginCycle()
	at := func(seconds int, v Vehicle) {
		for range seconds {
			l.now += time.Second
			l.m.Observe(l.now, v)
		}
	}
	v := Vehicle{Running: true, CoolantC: 20, AmbientC: 18, BaroKPa: 101, Kmh: 60}
	at(2, v)
	assert.Zero(t, l.m.life.ignitions, "one second of running")
	at(1, v)
	assert.EqualValues(t, 1, l.m.life.ignitions)
	l.test("P0420", false)
	at(1, v)
	assert.EqualValues(t, 1, l.m.ratios[0].completed)
	v.Idle = true
	at(40, v)
	at(556, v)
	assert.Zero(t, l.m.life.conditions)
	at(3, v)
	assert.EqualValues(t, 1, l.m.life.conditions)
	l.m.EndCycle()
	assert.EqualValues(t, 1, l.m.ratios[0].completed, "not again")
	assert.EqualValues(t, 1, l.m.ratios[0].conditions)
}

// At 65535 both counters of a monitor are halved, those of ignition and general
// conditions go on from 0 (13 CCR 1968.2 (d)(5), from memory).
func TestInUseCountersAtTheirEnd(t *testing.T) {
	l := newLife(t)
	l.m.life.ignitions, l.m.life.conditions = 65535, 65535
	l.m.ratios[0].completed, l.m.ratios[0].conditions = 30000, 65535
	l.generalDrive("P0420")
	assert.Zero(t, l.m.life.ignitions)
	assert.Zero(t, l.m.life.conditions)
	assert.EqualValues(t, 32768, l.m.ratios[0].conditions)
	assert.InDelta(t, 15000, l.m.ratios[0].completed, 1)
}
