package app_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
)

// Without any wheel's signal the brake unit sends 0 km/h: P0500 (SAE J2012) needs an
// engine that pulls in gear; one that is revved at rest says nothing about the speed.
func TestRoadSpeedIsMissedOnlyWhileTheEnginePulls(t *testing.T) {
	r := newRig(t, 6)
	for _, w := range []string{"fl", "fr", "rl", "rr"} {
		r.wire("wheel-sensor-"+w, openWire)
	}
	_, ok := r.start(3 * time.Second)
	require.True(t, ok)
	r.drive("clutch", "0")
	r.run(3 * time.Second)
	r.drive("accelerator", "30")
	r.run(5 * time.Second)
	assert.Empty(t, r.codes.stored, "in neutral")
	r.drive("accelerator", "0")
	r.run(3 * time.Second)
	driveOff(r)
	r.run(3 * time.Second)
	assert.Equal(t, []string{"P0500"}, r.codes.stored)
}

// An open reference (P0641, SAE J2012) takes all of its sensors down while the source is
// good; a single sensor that is down does not, and a short is P0642.
func TestAnOpenReferenceTakesAllItsSensors(t *testing.T) {
	for _, c := range []struct {
		state    car.WireState
		has, not string
	}{{car.Open, "P0641", "P0642"}, {car.ShortToGround, "P0642", "P0641"}} {
		r := newRig(t, 6)
		rail, ok := r.car.Rail("sensor-5v-a")
		require.True(t, ok)
		rail.SetWiring(car.Wiring{State: c.state})
		r.drive("key", "on")
		r.run(2 * time.Second)
		assert.Contains(t, r.codes.stored, c.has)
		assert.NotContains(t, r.codes.stored, c.not)
	}
	r := newRig(t, 6)
	r.wire("manifold-pressure-sensor", car.Wiring{State: car.ShortToGround})
	r.drive("key", "on")
	r.run(2 * time.Second)
	assert.Equal(t, []string{"P0107"}, r.codes.stored)
}

// A fan of 22 A has to show in the supply when it comes on; a dead motor does not
// (P0483, SAE J2012). The starter has the battery for itself until it is done.
func TestTheFanIsSeenInTheSupply(t *testing.T) {
	for _, dead := range []bool{false, true} {
		r := newRig(t, 6)
		r.car.Soak(30, 110)
		if dead {
			r.wear("fan-motor", 0)
		}
		_, ok := r.start(3 * time.Second)
		require.True(t, ok)
		assert.Zero(t, r.truth("fan"), "not while the starter turns")
		r.run(20 * time.Second)
		if dead {
			assert.Equal(t, []string{"P0483"}, r.codes.stored)
			continue
		}
		assert.EqualValues(t, 1, r.truth("fan"))
		assert.Empty(t, r.codes.stored)
	}
}
