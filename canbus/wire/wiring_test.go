package wire

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
)

// The cable of one node pulled: it hears nothing and nobody acknowledges it, so
// it becomes error-passive and never bus-off; its peers' traffic is untouched.
// Put back, its frame leaves at once and the counters fall with every good frame.
func TestUnplugAndPlug(t *testing.T) {
	r := newRig(t, Config{})
	a, b, tool := r.node("a"), r.node("b"), r.node("tool")
	f := canbus.New(0x200, 1)
	for i := range 100 {
		r.at(time.Duration(i)*10*time.Millisecond, func() { a.send(f) })
	}
	r.at(205*time.Millisecond, func() {
		tool.p.Unplug()
		tool.p.Unplug() // twice is no harm
		assert.False(t, tool.p.Plugged())
	})
	r.at(300*time.Millisecond, func() { tool.send(canbus.New(0x7DF, 2, 1)) })
	var errorsPulled uint64
	r.at(505*time.Millisecond, func() {
		assert.Equal(t, Confinement{TEC: 128, State: ErrorPassive}, tool.p.Confinement())
		errorsPulled = tool.p.Stats().TxErrors
		tool.p.Plug()
	})
	r.run(time.Second)
	assert.Greater(t, errorsPulled, uint64(500), "it tried all the time")
	assert.LessOrEqual(t, tool.p.Stats().TxErrors, errorsPulled+1, "at most the try it was in fails with the plug")
	assert.Len(t, b.received, 100+1)
	assert.Len(t, tool.received, 21+49, "what passed while it was in")
	require.Len(t, tool.sent, 1)
	assert.InDelta(t, 505*time.Millisecond, tool.sent[0].Time, float64(time.Millisecond))
	assert.LessOrEqual(t, r.bus.Stats().Errors, uint64(1), "its lonely tries are not on the bus")
	assert.Equal(t, uint64(101), r.bus.Stats().Frames)
}

// Pulled in the middle of its frame: the bus falls silent, the receivers see a
// stuff error after six bits; the sender misses its acknowledgement and sends the
// frame again when it is back.
func TestUnplugInMidFrame(t *testing.T) {
	r := newRig(t, Config{})
	a, b, c := r.node("a"), r.node("b"), r.node("c")
	a.send(canbus.New(0x100, 1, 2, 3))
	r.at(30*tbit, func() { a.p.Unplug() })
	r.at(30*tbit+5*tbit, func() { c.send(canbus.New(0x300)) })
	r.at(time.Millisecond, func() {
		tec, _ := a.counters()
		assert.Positive(t, tec)
		_, rec := b.counters()
		assert.Equal(t, 0, rec, "one error, one good frame")
		assert.Equal(t, uint64(1), b.p.Stats().RxErrors)
		a.p.Plug()
	})
	r.run(time.Second)
	require.Len(t, b.received, 2)
	assert.Equal(t, canbus.ID(0x300), b.received[0].ID)
	// The frame breaks off at bit 30: 6 bits, 6 of flag, 8 of delimiter, 3 of
	// intermission, then the 50 bits or so of the other's frame.
	n, _ := Bits(&b.received[0])
	assert.Equal(t, time.Duration(30+6+6+8+3+n)*tbit, b.received[0].Time)
	assert.Equal(t, canbus.ID(0x100), b.received[1].ID)
	assert.Len(t, a.sent, 1)
}

// A receiver pulled in the middle of a frame goes without it; if it was the only
// one the sender gets no acknowledgement.
func TestUnplugTheReceiver(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	a.send(canbus.New(0x100, 1, 2, 3))
	r.at(30*tbit, func() { b.p.Unplug() })
	r.at(time.Millisecond, func() {
		assert.Empty(t, a.sent)
		assert.Empty(t, b.received)
		_, rec := b.counters()
		assert.Equal(t, 1, rec)
		b.p.Plug()
	})
	r.run(time.Second)
	assert.Len(t, a.sent, 1)
	assert.Len(t, b.received, 1)
}

// Pulled behind the ACK slot it has acknowledged already: the frame counts as
// sent, though its only receiver did not see the end.
func TestUnplugBehindTheAcknowledgement(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	f := canbus.New(0x100, 1, 2, 3)
	a.send(f)
	n, _ := Bits(&f)
	r.at(time.Duration(n-4)*tbit, func() { b.p.ForceBusOff() })
	r.run(time.Second)
	assert.Len(t, a.sent, 1)
	assert.Empty(t, b.received)
}

// Plugged in while the bus and the node both send: the frames destroy each other,
// then both pass.
func TestPlugIntoTraffic(t *testing.T) {
	r := newRig(t, Config{})
	a, b, c := r.node("a"), r.node("b"), r.node("c")
	a.p.Unplug()
	a.send(canbus.New(0x100, 1))
	r.at(time.Millisecond, func() { b.send(canbus.New(0x200, 1, 2, 3, 4, 5, 6, 7, 8)) })
	r.at(time.Millisecond+20*tbit, func() { a.p.Plug() })
	r.run(time.Second)
	assert.Equal(t, uint64(1), r.bus.Stats().Errors)
	assert.Equal(t, uint64(1), b.p.Stats().TxErrors)
	require.Len(t, c.received, 2)
	assert.Len(t, a.sent, 1)
	assert.Len(t, b.sent, 1)
}

// A node plugged in while a frame passes hears from the next one on.
func TestPluggedInMidFrameHearsTheNext(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	r.node("c")
	b.p.Unplug()
	a.send(canbus.New(0x100, 1))
	a.send(canbus.New(0x101, 1))
	r.at(20*tbit, func() { b.p.Plug() })
	r.run(time.Second)
	require.Len(t, b.received, 1)
	assert.Equal(t, canbus.ID(0x101), b.received[0].ID)
	assert.Zero(t, r.bus.Stats().Errors)
}

// The bus cut in two: each side works on its own, the tap hears the rest; a side
// of one node gets no acknowledgement. Mended, all hear all.
func TestCutAndMend(t *testing.T) {
	r := newRig(t, Config{})
	a, b, c, d := r.node("a"), r.node("b"), r.node("c"), r.node("d")
	require.ErrorContains(t, r.bus.Cut("a", "nobody"), `no node "nobody"`)
	a.send(canbus.New(0x010))
	r.at(20*tbit, func() { // in mid frame: from the next gap on
		require.NoError(t, r.bus.Cut("a", "b"))
		require.Error(t, r.bus.Cut("c"))
	})
	r.at(time.Millisecond, func() {
		a.send(canbus.New(0x100))
		c.send(canbus.New(0x200))
		b.p.Unplug()
	})
	r.at(2*time.Millisecond, func() {
		b.p.Plug() // back on its side of the cut
		a.send(canbus.New(0x101))
	})
	r.at(3*time.Millisecond, r.bus.Mend)
	r.at(4*time.Millisecond, func() { a.send(canbus.New(0x102)) })
	r.run(time.Second)
	ids := func(n *testNode) (out []canbus.ID) {
		for _, f := range n.received {
			out = append(out, f.ID)
		}
		return out
	}
	assert.Equal(t, []canbus.ID{0x010, 0x100, 0x101, 0x102}, ids(b))
	assert.Equal(t, []canbus.ID{0x010, 0x200, 0x102}, ids(d))
	assert.Equal(t, []canbus.ID{0x010, 0x102}, ids(c))
	assert.Len(t, a.sent, 4)
	var tapped []canbus.ID
	for _, f := range r.taps {
		if f.Flags&canbus.Error == 0 {
			tapped = append(tapped, f.ID)
		}
	}
	assert.Equal(t, []canbus.ID{0x010, 0x200, 0x102}, tapped)
}

// Stuck dominant: nobody can send; who was sending reaches 256 by rule 6, those
// who listen become error-passive. Mended, traffic resumes after 11 idle bits.
func TestStuckDominant(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	r.node("c")
	a.send(canbus.New(0x100, 1, 2, 3))
	r.at(30*tbit, func() { r.bus.SetWiring(StuckDominant) })
	r.at(time.Millisecond, func() { b.send(canbus.New(0x200)) })
	r.at(10*time.Millisecond, func() {
		assert.Equal(t, BusOff, a.p.Confinement().State)
		assert.Equal(t, ErrorPassive, b.p.Confinement().State)
		tec, rec := b.counters()
		assert.Zero(t, tec)
		assert.GreaterOrEqual(t, rec, 128)
		assert.Empty(t, b.sent)
		assert.InDelta(t, 1, r.bus.Stats().Load, 1e-6, "a bus that is never idle")
		assert.Equal(t, StuckDominant, r.bus.Wiring())
		assert.NoError(t, a.p.Recover())
	})
	const mended = 20 * time.Millisecond
	r.at(mended, func() {
		assert.True(t, a.p.Confinement().Recovering, "no recessive bit to count")
		r.bus.SetWiring(Sound)
	})
	var back time.Duration
	r.bus.Tap(func(s canbus.Sighting) {
		if s.Frame.Flags&canbus.Error != 0 && s.Frame.ID == classRestarted {
			back = s.Frame.Time
		}
	})
	r.run(time.Second)
	require.Len(t, b.sent, 1)
	n, _ := Bits(&b.sent[0])
	assert.Equal(t, mended+time.Duration(11+n)*tbit, b.sent[0].Time)
	// The frame splits the silence: 11 bits before it are one run.
	run := time.Duration(11+n-8) * tbit
	assert.Equal(t, mended+run+127*11*tbit, back)
	assert.Less(t, r.bus.Stats().Total, 0.05)
}

// On an idle bus that gets stuck the listeners count rule 1 once and then rule 6
// every 8 bits from the 14th of their flag on: 1, 9, 17 .. 129.
func TestStuckDominantCounts(t *testing.T) {
	r := newRig(t, Config{})
	a := r.node("a")
	r.bus.SetWiring(StuckDominant)
	var recs []int
	for _, bits := range []int{5, 6, 19, 20, 27, 28, 20 + 14*8, 20 + 15*8, 2000} {
		r.at(time.Duration(bits)*tbit, func() {
			_, rec := a.counters()
			recs = append(recs, rec)
		})
	}
	r.run(time.Second)
	assert.Equal(t, []int{0, 1, 1, 9, 9, 17, 121, 129, 129}, recs)
	assert.Equal(t, ErrorPassive, a.p.Confinement().State)
}

func TestForcedBusOff(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	c := r.node("c")
	a.send(canbus.New(0x100, 1, 2, 3))
	a.send(canbus.New(0x101))
	r.at(30*tbit, func() {
		a.p.ForceBusOff()
		a.p.ForceBusOff()
	})
	r.at(time.Millisecond, func() { c.send(canbus.New(0x300)) })
	r.run(time.Second)
	assert.Equal(t, uint64(2), a.p.Stats().Dropped)
	assert.Equal(t, uint64(1), a.p.Stats().BusOffs)
	assert.Empty(t, a.received, "bus-off is deaf, too")
	require.Len(t, b.received, 1)
	assert.Equal(t, uint64(1), r.bus.Stats().Errors, "its frame broke off")
}

// A node that closes while its frame is on the wire: the frame is completed and
// nobody is told; one that nobody acknowledges is not repeated.
func TestCloseInMidFrame(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	a.send(canbus.New(0x100, 1, 2, 3))
	a.send(canbus.New(0x101))
	r.at(20*tbit, func() { require.NoError(t, a.p.Close()) })
	r.at(time.Millisecond, func() {
		assert.Len(t, b.received, 1)
		assert.Empty(t, a.sent)
		b.send(canbus.New(0x200))
	})
	r.at(time.Millisecond+20*tbit, func() { require.NoError(t, b.p.Close()) })
	r.run(time.Second)
	assert.Equal(t, uint64(1), r.bus.Stats().Errors)
	assert.Empty(t, r.bus.Stats().Ports)
	_, ok := r.bus.Port("a")
	assert.False(t, ok)
}

// Closing what the next start bit was for leaves the bus to the others, on time.
func TestCloseBeforeTheStart(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	r.node("c")
	a.send(canbus.New(0x100))
	a.onSent = func(*canbus.Frame) {
		a.send(canbus.New(0x101))
		require.NoError(t, a.p.Close())
	}
	r.at(time.Millisecond, func() { b.send(canbus.New(0x200)) })
	r.run(time.Second)
	n, _ := Bits(&b.sent[0])
	assert.Equal(t, time.Millisecond+time.Duration(n)*tbit, b.sent[0].Time)
	assert.Zero(t, r.bus.Stats().Errors)
}
