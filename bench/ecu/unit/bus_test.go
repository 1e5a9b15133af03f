package unit

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"sawhorse/bench/ecu/ecutest"
	"sawhorse/bench/ecu/server"
	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// unlockOnBus answers the seed of a security level once it has come.
func (n *network) unlockOnBus(at time.Duration, level int) {
	n.at(at, func() { n.send(n.links["engine"], fmt.Sprintf("27 %02X", 2*level-1)) })
	n.at(at+100*time.Millisecond, func() {
		seed := ecutest.Bytes(n.t, strings.TrimPrefix(n.heard[len(n.heard)-1], "engine: "))
		require.Len(n.t, seed, 6, "%q", n.heard)
		key := server.SecurityKey(n.units["engine"].spec.Security[level-1].Secret, [4]byte(seed[2:]))
		n.send(n.links["engine"], fmt.Sprintf("27 %02X ", 2*level)+ecutest.Spaced(key[:]))
	})
}

// A whole image over the embedded bus, block by block, and the supply lost before.
func TestProgrammingOverTheBus(t *testing.T) {
	n := newNetwork(t, "ecu-engine.yaml")
	n.key(true)
	b := ecutest.Image(0x33)
	m := n.units["engine"]
	begin := func(at time.Duration) time.Duration {
		n.at(at, func() { n.send(n.links["engine"], "10 03") })
		n.at(at+100*time.Millisecond, func() { n.send(n.links["engine"], "10 02") })
		n.unlockOnBus(at+200*time.Millisecond, 2)
		n.at(at+500*time.Millisecond, func() { n.send(n.links["engine"], "31 01 FF 00 "+ecutest.WholeRegion) })
		n.at(at+2200*time.Millisecond, func() { n.send(n.links["engine"], "34 00 "+ecutest.WholeRegion) })
		return at + 2300*time.Millisecond
	}
	const block = 150 * time.Millisecond // the unit asks for 2 ms between frames
	blocks := func(at time.Duration, count int) time.Duration {
		for i := range count {
			n.at(at+time.Duration(i)*block, func() {
				n.send(n.links["engine"], fmt.Sprintf("36 %02X ", i+1)+ecutest.Spaced(b[256*i:256*i+256]))
			})
		}
		return at + time.Duration(count)*block
	}
	end := blocks(begin(time.Second), 20)
	n.at(end, func() { m.Dip(200 * time.Millisecond) })
	n.at(end+700*time.Millisecond, func() { assert.True(t, m.Boot()) })
	n.at(end+800*time.Millisecond, func() { n.send(n.shared, "01 00") })
	end = blocks(begin(end+time.Second), 64)
	n.at(end, func() { n.send(n.links["engine"], "37") })
	n.at(end+100*time.Millisecond, func() { n.send(n.links["engine"], "31 01 FF 01") })
	n.at(end+700*time.Millisecond, func() { n.send(n.links["engine"], "31 03 FF 01") })
	n.at(end+800*time.Millisecond, func() { n.send(n.links["engine"], "11 01") })
	n.at(end+1500*time.Millisecond, func() { n.send(n.shared, "01 0C") })
	n.run(end + 2*time.Second)
	count := 0
	for _, h := range n.heard {
		assert.NotContains(t, h, ": 7F")
		assert.NotContains(t, h, "41 00", "the boot program has no emission OBD")
		if strings.HasPrefix(h, "engine: 76") {
			count++
		}
	}
	assert.Equal(t, 20+64, count)
	assert.Equal(t, []string{"engine: 77", "engine: 71 01 FF 01 01", "engine: 71 03 FF 01 00 00", "engine: 51 01", "engine: 41 0C 00 00"}, n.heard[len(n.heard)-5:])
	assert.False(t, m.Boot())
	got, _ := m.NV().Bytes("application")
	assert.Equal(t, b, got)
}

// Periodic answers on the bus are single frames on the response identifier.
func TestPeriodicAnswersOnTheBus(t *testing.T) {
	n := newNetwork(t, "ecu-engine.yaml")
	n.key(true)
	n.plants["engine"].Set("engine_rpm", 604)
	n.at(time.Second, func() { n.send(n.links["engine"], "10 03") })
	n.at(1100*time.Millisecond, func() { n.send(n.links["engine"], "2A 03 01") })
	n.at(1900*time.Millisecond, func() { n.send(n.links["engine"], "22 F1 90") })
	n.run(2100 * time.Millisecond)
	count := 0
	for _, f := range n.frames {
		if f.ID == 0x7E8 && f.Data[1] == 0x01 && f.Data[2] == 0x09 && f.Data[3] == 0x70 {
			count++
			assert.EqualValues(t, 6, f.Data[0], "a single frame of six bytes")
		}
	}
	assert.InDelta(t, 20, count, 1, "50 ms over a second")
	assert.Contains(t, n.heard, "engine: 62 F1 90 30 50 54 34 38 56 4D 36 30 52 31 30 30 30 30 34 38", "a long answer between them")
}

// Forty warm-ups of the whole unit on the bus: the code goes, and it takes few events
// of the loop, which is what virtual time costs.
func TestFortyWarmUpsOfAUnit(t *testing.T) {
	n := newNetwork(t, "ecu-engine.yaml")
	p, m := n.plants["engine"], n.units["engine"]
	ref, _ := m.Memory().Ref("P0335")
	const length = 3 * time.Second
	cycle := func(k int, failed bool) {
		at := time.Duration(k) * length
		n.at(at, func() {
			p.WarmIdle()
			p.Set("coolant_c", 20)
		})
		for i := range 60 {
			n.at(at+500*time.Millisecond+time.Duration(i)*20*time.Millisecond, func() { m.Memory().Test(ref, n.loop.Now(), failed) })
		}
		n.at(at+2*time.Second, func() { p.Set("coolant_c", 92) })
		n.at(at+2500*time.Millisecond, func() { n.key(false) })
	}
	cycle(0, true)
	for k := 1; k <= 3+40; k++ {
		cycle(k, false)
	}
	n.at(4*length-100*time.Millisecond, func() {
		assert.False(t, m.Memory().MIL(), "three clean cycles")
		assert.Equal(t, []uds.DTC{0x0335}, m.Memory().Confirmed(nil))
	})
	n.at(43*length-100*time.Millisecond, func() { assert.NotEmpty(t, m.Memory().Confirmed(nil), "thirty-nine") })
	n.run(44 * length)
	assert.Empty(t, m.Memory().Confirmed(nil))
	assert.Less(t, n.loop.Events(), uint64(60_000), "one step in 5 ms, and little else")
}
