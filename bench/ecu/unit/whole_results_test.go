package unit_test

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
)

// row is a test of service 06: its value and limits as whole numbers.
type row struct{ value, least, most int }

func (r row) sound() bool { return r.least <= r.value && r.value <= r.most }

// resultsOf idles a car warm for a while and asks service 06 for monitors; rows are
// by monitor and test.
func resultsOf(t *testing.T, alter func(w *whole), mids ...byte) (*whole, map[[2]byte]row) {
	t.Helper()
	w := newWhole(t, false)
	alter(w)
	w.drive(0, "key", "on")
	w.drive(time.Second, "clutch", "100")
	w.drive(2*time.Second, "key", "start")
	w.drive(4*time.Second, "key", "on")
	w.drive(6*time.Second, "clutch", "0")
	const until = 4 * time.Minute
	for i, mid := range mids {
		w.send(until+time.Duration(i)*200*time.Millisecond, 0x06, mid)
	}
	w.run(until + time.Duration(len(mids)+1)*200*time.Millisecond)
	rows := map[[2]byte]row{}
	for _, line := range w.heard {
		b, err := hex.DecodeString(strings.ReplaceAll(line, " ", ""))
		require.NoError(t, err)
		require.EqualValues(t, 0x46, b[0], line)
		for b := b[1:]; len(b) >= 9; b = b[9:] {
			n := func(k int) int {
				v := int(b[k])<<8 | int(b[k+1])
				if b[2]&0x80 != 0 {
					v = int(int16(v))
				}
				return v
			}
			rows[[2]byte{b[0], b[1]}] = row{n(3), n(5), n(7)}
		}
	}
	return w, rows
}

// A sound car's monitors all measure something within their limits in one warm idle
// (SAE J1979: pass is least <= value <= most), and what they measure is what a
// handbook wants: heaters of half an ampere to two and a sensor that switches at 0.5
// to 5 Hz (common practice), no misfire.
func TestTheWholeCarsResultsAreWithinTheirLimits(t *testing.T) {
	mids := []byte{0x01, 0x02, 0x05, 0x06, 0x21, 0x22, 0x39, 0x3B, 0x3D, 0x41, 0x42, 0x45, 0x46, 0x81, 0x82, 0xA1, 0xA2, 0xA9}
	w, rows := resultsOf(t, func(*whole) {}, mids...)
	seen := map[byte]bool{}
	for key, r := range rows {
		seen[key[0]] = true
		if key[0] >= 0xA2 && key[1] == 0x0B {
			continue // known after the drive
		}
		assert.NotEqual(t, row{}, r, "% X: not run", key)
		assert.True(t, r.sound(), "% X: %v", key, r)
	}
	for _, mid := range mids {
		assert.True(t, seen[mid], "no result of %X", mid)
	}
	for _, mid := range []byte{0x41, 0x42, 0x45, 0x46} {
		assert.InDelta(t, 1250, rows[[2]byte{mid, 0x80}].value, 750, "mA of heater %X", mid)
	}
	for _, mid := range []byte{0x01, 0x05} {
		assert.InDelta(t, 1100, rows[[2]byte{mid, 0x0A}].value, 900, "ms of a period of %X", mid)
		assert.Less(t, rows[[2]byte{mid, 0x05}].value, 500, "ms from rich to lean")
	}
	assert.Zero(t, rows[[2]byte{0xA2, 0x0C}].value)
	for _, name := range []string{"catalyst", "evap", "oxygen", "oxygen_heater"} {
		complete, ok := w.mem.Ready(name)
		assert.True(t, ok && complete, name)
	}
}

// What is broken shows in its own result: the value is beyond its limits, and the
// others are where they were.
func TestTheWholeCarsResultsFollowTheirCause(t *testing.T) {
	wear := func(name string, v float64) func(w *whole) {
		return func(w *whole) {
			p, ok := w.car.Part(name)
			require.True(t, ok)
			p.Set(v)
		}
	}
	for _, c := range []struct {
		name  string
		alter func(w *whole)
		bad   [2]byte
		good  [2]byte
	}{
		{"heater cut off", func(w *whole) {
			x, ok := w.car.Circuit("lambda-heater-b1s1")
			require.True(t, ok)
			x.SetWiring(car.Wiring{State: car.Open})
		}, [2]byte{0x41, 0x80}, [2]byte{0x45, 0x80}},
		{"small leak", wear("tank-leak", 1.016), [2]byte{0x3B, 0x80}, [2]byte{0x39, 0x80}},
		{"large leak", wear("tank-leak", 25), [2]byte{0x39, 0x80}, [2]byte{0x3D, 0x80}},
	} {
		_, rows := resultsOf(t, c.alter, c.bad[0], c.good[0])
		assert.False(t, rows[c.bad].sound(), "%s: %v", c.name, rows[c.bad])
		assert.True(t, rows[c.good].sound() && rows[c.good] != row{}, "%s: %v", c.name, rows[c.good])
	}
	w, rows := resultsOf(t, func(w *whole) {
		x, ok := w.car.Circuit("coil-3")
		require.True(t, ok)
		x.SetWiring(car.Wiring{State: car.Open})
	}, 0xA1, 0xA4, 0xA5)
	assert.False(t, rows[[2]byte{0xA1, 0x80}].sound(), "one cylinder of eight: %v", rows)
	assert.InDelta(t, 12.5, float64(rows[[2]byte{0xA1, 0x80}].value)/100, 2, "percent of the firings")
	assert.Greater(t, rows[[2]byte{0xA4, 0x0C}].value, 100)
	assert.Less(t, rows[[2]byte{0xA5, 0x0C}].value, 5)
	assert.NotEmpty(t, w.mem.Confirmed(nil))
}
