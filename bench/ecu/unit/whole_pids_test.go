package unit_test

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Absolute positions are a share of the sensor's supply and so not 0 at rest, relative
// ones are (SAE J1979 PIDs 11 45 49 4A 5A; two tracks of a pedal in the ratio of two to
// one are common practice). Torque is demanded by the idle, and by the pedal more: 61
// and 62 go together, and nothing is demanded of an engine at rest (SAE J1979 PIDs 61
// 62).
func TestTheWholeCarsPositionsAndTorque(t *testing.T) {
	w := newWhole(t, false)
	ask := func(at time.Duration) {
		w.send(at, 0x01, 0x11, 0x45, 0x49, 0x4A, 0x5A, 0x61)
		w.send(at+200*time.Millisecond, 0x01, 0x62)
	}
	w.drive(0, "key", "on")
	ask(2 * time.Second)
	w.drive(3*time.Second, "clutch", "100")
	w.drive(4*time.Second, "key", "start")
	w.drive(6*time.Second, "key", "on")
	ask(40 * time.Second)
	w.drive(41*time.Second, "accelerator", "60")
	ask(41*time.Second + 400*time.Millisecond)
	w.run(43 * time.Second)
	require.Len(t, w.heard, 6)
	var got [3]map[byte]int
	for i, line := range w.heard {
		b, err := hex.DecodeString(strings.ReplaceAll(line, " ", ""))
		require.NoError(t, err)
		if i%2 == 0 {
			got[i/2] = map[byte]int{}
		}
		for b := b[1:]; len(b) >= 2; b = b[2:] {
			got[i/2][b[0]] = int(b[1])
		}
	}
	off, idle, pressed := got[0], got[1], got[2]
	pct := func(n int) float64 { return float64(n) / 2.55 }
	assert.InDelta(t, 16, pct(off[0x49]), 1, "0.8 of 5 V at rest")
	assert.InDelta(t, 8, pct(off[0x4A]), 1)
	assert.Zero(t, off[0x5A])
	assert.InDelta(t, 14.4, pct(off[0x11]), 1.5, "0.72 of 5 V at rest")
	assert.Equal(t, 125, off[0x61], "0 %")
	assert.Equal(t, 125, off[0x62])
	assert.InDelta(t, 15, float64(idle[0x62]-125), 12, "percent at idle: friction of the engine")
	assert.InDelta(t, idle[0x62], idle[0x61], 8, "what is wanted is given")
	assert.Greater(t, pressed[0x49], idle[0x49]+80)
	assert.InDelta(t, 2, float64(pressed[0x49])/float64(pressed[0x4A]), 0.1)
	assert.Greater(t, pressed[0x11], idle[0x11]+50)
	assert.Greater(t, pressed[0x61], idle[0x61]+30)
	assert.Greater(t, pressed[0x62], idle[0x62]+10)
}
