package app_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// cruise drives off and shifts up to fourth gear, to some 90 km/h at part load.
func cruise(t *testing.T, r *rig) {
	t.Helper()
	_, ok := r.start(3 * time.Second)
	require.True(t, ok)
	r.run(10 * time.Second)
	driveOff(r)
	for _, g := range []string{"2", "3", "4"} {
		r.drive("accelerator", "0")
		r.drive("clutch", "100")
		r.run(300 * time.Millisecond)
		r.drive("gear", g)
		r.run(200 * time.Millisecond)
		r.drive("clutch", "0")
		r.run(300 * time.Millisecond)
		r.drive("accelerator", "40")
		r.run(4 * time.Second)
	}
	r.drive("accelerator", "26")
	r.run(3 * time.Second)
	require.Greater(t, r.truth("vehicle_kmh"), 60.0)
}

// edges are the moments at which the true lamp goes on and off.
func (r *rig) edges(d time.Duration) (on, off []time.Duration) {
	was := r.truth("mil")
	r.run(d, func() {
		switch is := r.truth("mil"); {
		case is > was:
			on = append(on, r.now)
		case is < was:
			off = append(off, r.now)
		}
		was = r.truth("mil")
	})
	return on, off
}

// Misfire that overheats the catalyst has the malfunction lamp blink once a second while
// it occurs, and stay lit afterwards; the data stream says that the lamp is commanded on
// (13 CCR 1968.2 (e)(3.4.1); (d)(2.1)). A dead cylinder of eight is 12.5 % of all firings.
func TestTheLampFlashesWhileMisfireEndangersTheCatalyst(t *testing.T) {
	r := newRig(t, 4)
	cruise(t, r)
	on, off := r.edges(40 * time.Second)
	require.Empty(t, on, "a sound engine")
	require.Empty(t, off)
	plug := r.wear("spark-plug-4", 0)
	// The share of 200 turns is too much before 200 turns are over: 5 s at 2400 rev/min.
	r.run(10 * time.Second)
	assert.Contains(t, r.codes.stored, "P0304")
	on, off = r.edges(10 * time.Second)
	assert.InDelta(t, 10, len(on), 1)
	assert.InDelta(t, 10, len(off), 1)
	for i := range min(len(on), len(off)) {
		if i > 0 {
			assert.InDelta(t, 1, (on[i] - on[i-1]).Seconds(), 0.02, "once a second")
		}
		assert.InDelta(t, 0.5, math.Mod((off[i]-on[i]).Seconds()+1, 1), 0.02, "dark for half of it")
	}
	plug.Mend()
	// The block under way still has the misfire; the next one has none.
	r.run(16 * time.Second)
	on, off = r.edges(10 * time.Second)
	assert.Empty(t, append(on, off...), "steady afterwards")
	assert.EqualValues(t, 1, r.truth("mil"))
}

// The lamp that flashed is dark in the next drive unless a code asks for it: the code of
// the first drive is pending only (13 CCR 1968.2 (e)(3.4.1), two trips).
func TestTheLampOfMisfireEndsWithTheDrive(t *testing.T) {
	r := newRig(t, 4)
	cruise(t, r)
	r.wear("spark-plug-4", 0)
	r.run(10 * time.Second)
	r.codes.stored = nil // as a memory has it that waits for a second trip
	assert.NotEmpty(t, first(r.edges(3*time.Second)))
	r.drive("key", "off")
	r.run(2 * time.Second)
	r.drive("key", "on")
	r.run(25 * time.Second) // beyond the check of the bulb
	assert.Zero(t, r.truth("mil"))
}

func first[T any](a, _ T) T { return a }

// At idle a dead cylinder brings its code but no flash: little fuel burns in the
// catalyst (common practice). A dead coil's fuel is shut off, so that it never flashes.
func TestMisfireThatDoesNotEndangerTheCatalystDoesNotFlash(t *testing.T) {
	idle := newRig(t, 4)
	_, ok := idle.start(3 * time.Second)
	require.True(t, ok)
	idle.wear("spark-plug-4", 0)
	idle.run(30 * time.Second)
	assert.Contains(t, idle.codes.stored, "P0304")
	on, off := idle.edges(20 * time.Second)
	assert.Empty(t, append(on, off...))

	coil := newRig(t, 4)
	cruise(t, coil)
	coil.wire("coil-4", openWire)
	coil.run(20 * time.Second)
	assert.Contains(t, coil.codes.stored, "P0304")
	assert.Contains(t, coil.codes.stored, "P0354")
	on, off = coil.edges(20 * time.Second)
	assert.Empty(t, append(on, off...))
}

// Every cylinder is named under way, too, and one that fires now and then.
func TestMisfireIsNamedWhileDriving(t *testing.T) {
	for _, k := range []string{"1", "3", "6", "8"} {
		r := newRig(t, 5)
		cruise(t, r)
		r.wear("spark-plug-"+k, 50)
		r.run(60 * time.Second)
		assert.Contains(t, r.codes.stored, "P030"+k)
		for _, c := range r.codes.stored {
			if c != "P030"+k && c[:4] == "P030" {
				t.Errorf("cylinder %s: also %s", k, c)
			}
		}
	}
}
