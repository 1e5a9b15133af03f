package wire

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
)

// Worked example: 0x7DF 11111011111 against 0x7E8 11111101000 differ at the sixth
// bit, where 0x7DF sends 0 and wins.
func TestArbitrationWorkedExample(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	r.node("c")
	low, high := canbus.New(0x7DF, 2, 1, 0x0C, 0, 0, 0, 0, 0), canbus.New(0x7E8, 4, 0x41, 0x0C, 9, 0x70, 0, 0, 0)
	r.at(0, func() { a.send(high) })
	r.at(0, func() { b.send(low) }) // the same moment, another event
	r.run(time.Second)
	require.Len(t, r.taps, 2)
	assert.Equal(t, canbus.ID(0x7DF), r.taps[0].ID)
	assert.Equal(t, 120*tbit, r.taps[0].Time)
	assert.Equal(t, 120*tbit+3*tbit+118*tbit, r.taps[1].Time)
	assert.Equal(t, uint64(1), a.p.Stats().LostArbitration)
	assert.Zero(t, b.p.Stats().LostArbitration)
	tec, rec := a.counters()
	assert.Zero(t, tec+rec, "losing is no error")
}

// Who becomes ready while the start bit of another passes joins; a bit later it
// is too late.
func TestReadyWithinTheStartBit(t *testing.T) {
	for _, c := range []struct {
		after time.Duration
		first canbus.ID
	}{{0, 0x100}, {tbit - 1, 0x100}, {tbit + 1, 0x200}} {
		r := newRig(t, Config{})
		a, b := r.node("a"), r.node("b")
		r.at(time.Millisecond, func() { a.send(canbus.New(0x200)) })
		r.at(time.Millisecond+c.after, func() { b.send(canbus.New(0x100)) })
		r.run(time.Second)
		assert.Equal(t, c.first, r.taps[0].ID, c.after)
	}
}

// The bits of the arbitration field, from the naive encoder, in the order in
// which the wire compares them: dominant wins.
func arbitrationBits(f *canbus.Frame) string {
	n := encodeNaive(f).before
	if f.Has(canbus.Extended) {
		return n[:1+11+2+18+1]
	}
	return n[:1+11+2] // RTR and IDE
}

// Every set of frames sent at one moment by as many nodes leaves in the order of
// their arbitration fields as strings of bits.
func TestArbitrationOrdersAsTheBitsDo(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t, Config{DataBitRate: 2_000_000})
		r.node("listener")
		n := rapid.IntRange(2, 8).Draw(rt, "nodes")
		leading := canbus.ID(rapid.IntRange(0, 0x7FF).Draw(rt, "leading"))
		var want []string
		for i := range n {
			f := anyFrame(rt)
			if rapid.Bool().Draw(rt, "close") { // equal leading 11 bits
				f.ID = leading
				if f.Has(canbus.Extended) {
					f.ID = leading<<18 | f.ID&3
				}
			}
			bits := arbitrationBits(&f)
			if slices.Contains(want, bits) {
				continue
			}
			want = append(want, bits)
			a := r.node(string(rune('a' + i)))
			r.at(0, func() { a.send(f) })
		}
		r.run(time.Second)
		slices.SortFunc(want, strings.Compare)
		var got []string
		for i := range r.taps {
			got = append(got, arbitrationBits(&r.taps[i]))
		}
		if !slices.Equal(want, got) {
			rt.Fatalf("order\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	})
}

// Two nodes with one identifier and other data: a bit error where they first
// differ, an error frame, and both try again. As they meet again every time, both
// counters climb by 8 a try until the one that sends recessive is error-passive:
// then its bit error disturbs nobody, and the other's frame passes.
func TestEqualIdentifiersCollide(t *testing.T) {
	r := newRig(t, Config{ReportErrors: true})
	a, b, c := r.node("a"), r.node("b"), r.node("c")
	a.send(canbus.New(0x123, 0x00, 1))
	b.send(canbus.New(0x123, 0x80, 2))
	var tecs []int
	var ends []time.Duration
	r.bus.Tap(func(s canbus.Sighting) {
		if s.Sender == "a" && s.Frame.ID&classProtocol != 0 {
			tecs = append(tecs, int(s.Frame.Data[6]))
			ends = append(ends, s.Frame.Time)
			assert.Equal(t, byte(0x0A), s.Frame.Data[3], "in the data field")
		}
	})
	r.run(time.Second)
	require.Len(t, tecs, 16)
	for i, tec := range tecs {
		assert.Equal(t, 8*(i+1), tec)
	}
	// SOF, identifier, RTR, IDE, r0, DLC, the first data bit: 20 bits and the
	// stuff bits before; then flags and delimiter.
	o := encodeNaive(&canbus.Frame{ID: 0x123, Len: 2, Data: [64]byte{0x00, 1}})
	_, stuffed := stuffNaive(o.before[:20], false)
	bits := 20 + stuffed
	flags := ends[0] - time.Duration(bits+8)*tbit
	assert.GreaterOrEqual(t, flags, 6*tbit)
	assert.LessOrEqual(t, flags, 12*tbit)
	assert.Equal(t, uint64(16), r.bus.Stats().Errors)

	require.Len(t, c.received, 2, "in the end both pass")
	assert.Equal(t, byte(1), c.received[0].Data[1], "the dominant one first")
	assert.Equal(t, byte(2), c.received[1].Data[1])
	tec, _ := a.counters()
	assert.Equal(t, 128-1, tec)
	tec, _ = b.counters()
	assert.Equal(t, 128+8-1, tec)
	_, rec := c.counters()
	assert.Equal(t, 16-2, rec, "one an error frame, less two good ones")
}

// Equal frames at one moment are one frame on the wire, and all their senders
// have sent.
func TestEqualFramesPassAsOne(t *testing.T) {
	r := newRig(t, Config{})
	a, b, c := r.node("a"), r.node("b"), r.node("c")
	f := canbus.New(0x123, 1, 2)
	a.send(f)
	b.send(f)
	r.run(time.Second)
	assert.Len(t, r.taps, 1)
	assert.Len(t, a.sent, 1)
	assert.Len(t, b.sent, 1)
	assert.Empty(t, a.received)
	assert.Empty(t, b.received)
	assert.Len(t, c.received, 1)
}

// A remote frame with another length collides in the DLC; a data frame with the
// same identifier wins over it without harm.
func TestRemoteFrames(t *testing.T) {
	r := newRig(t, Config{ReportErrors: true})
	a, b := r.node("a"), r.node("b")
	a.send(canbus.Frame{ID: 0x123, Flags: canbus.Remote, Len: 2})
	b.send(canbus.New(0x123, 1, 2))
	r.run(time.Second)
	require.Len(t, r.taps, 2)
	assert.False(t, r.taps[0].Has(canbus.Remote))
	assert.True(t, r.taps[1].Has(canbus.Remote))
	assert.Zero(t, r.bus.Stats().Errors)

	r = newRig(t, Config{ReportErrors: true})
	a, b = r.node("a"), r.node("b")
	a.send(canbus.Frame{ID: 0x123, Flags: canbus.Remote, Len: 2})
	b.send(canbus.Frame{ID: 0x123, Flags: canbus.Remote, Len: 3})
	r.run(time.Millisecond)
	require.NotEmpty(t, r.taps)
	assert.Equal(t, byte(0x0B), r.taps[0].Data[3], "place: DLC")
}

// Two orders of Send within a moment give two orders of equal priority only.
func TestOrderOfNodesDoesNotDecide(t *testing.T) {
	for _, swap := range []bool{false, true} {
		r := newRig(t, Config{})
		a, b := r.node("a"), r.node("b")
		first, second := a, b
		if swap {
			first, second = b, a
		}
		first.send(canbus.New(canbus.ID(0x100)))
		second.send(canbus.New(canbus.ID(0x0FF)))
		r.run(time.Second)
		assert.Equal(t, canbus.ID(0x0FF), r.taps[0].ID)
	}
}

// The queue of a port against a sorted slice.
func TestQueueAgainstSortedSlice(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := queue{limit: rapid.IntRange(1, 20).Draw(t, "limit")}
		type item struct {
			bits string
			tag  byte
		}
		var want []item
		for i := range rapid.IntRange(1, 200).Draw(t, "ops") {
			if rapid.Bool().Draw(t, "push") {
				f := canbus.New(canbus.ID(rapid.IntRange(0, 3).Draw(t, "id")), byte(i))
				if rapid.Bool().Draw(t, "extended") {
					f = canbus.NewExtended(f.ID<<18, byte(i))
				}
				if ok := q.push(&f, false); ok != (len(want) < q.limit) {
					t.Fatalf("push said %v with %d of %d", ok, len(want), q.limit)
				} else if ok {
					want = append(want, item{arbitrationBits(&f), byte(i)})
				}
				continue
			}
			if len(want) == 0 {
				continue
			}
			slices.SortStableFunc(want, func(a, b item) int { return strings.Compare(a.bits, b.bits) })
			r := q.take()
			if got := q.slots[r.at].frame.Data[0]; got != want[0].tag {
				t.Fatalf("took %d, want %d", got, want[0].tag)
			}
			if rapid.IntRange(0, 3).Draw(t, "back") == 0 {
				q.restore(r) // keeps its place
				continue
			}
			q.release(r.at)
			want = want[1:]
		}
		if q.used() != len(want) || q.drop() != len(want) || q.used() != 0 {
			t.Fatalf("%d in use", q.used())
		}
	})
}

func TestFullQueueIsCounted(t *testing.T) {
	r := newRig(t, Config{Queue: 3})
	a := r.node("a")
	f := canbus.New(1)
	for range 3 {
		a.send(f)
	}
	require.ErrorIs(t, a.p.Send(&f), canbus.ErrQueueFull)
	require.ErrorIs(t, a.p.Send(&f), canbus.ErrQueueFull)
	assert.Equal(t, uint64(2), a.p.Stats().QueueFull)
	assert.Equal(t, 3, a.p.Queued())
	r.node("b")
	r.run(time.Second)
	assert.Equal(t, 0, a.p.Queued())
	assert.Equal(t, uint64(3), a.p.Stats().Sent)
}

// Bytes beyond the length do not travel.
func TestSendClearsTheRest(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	f := canbus.New(0x10, 1, 2)
	f.Data[5] = 0xEE
	a.send(f)
	remote := canbus.Frame{ID: 0x11, Flags: canbus.Remote, Len: 8, Data: [64]byte{1, 2, 3}}
	a.send(remote)
	r.run(time.Second)
	assert.Equal(t, [64]byte{1, 2}, b.received[0].Data)
	assert.Equal(t, [64]byte{}, b.received[1].Data)
}
