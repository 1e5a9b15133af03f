package alter_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/bustest"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/replay"
	"sawhorse/canbus/wire"
)

const ms = time.Millisecond

func chance() *rand.Rand { return rand.New(rand.NewPCG(1, 2)) }

// A bus with nothing wrong keeps every promise of a bus.
func TestAnUnalteredBusKeepsTheContract(t *testing.T) {
	bustest.Run(t, func(t *testing.T) bustest.Rig {
		loop := clock.NewVirtual()
		w, err := wire.New(loop, "w", wire.Config{DataBitRate: 2_000_000})
		require.NoError(t, err)
		return bustest.Rig{Loop: loop, Bus: alter.Wrap(loop, w), FD: true, Ordered: true}
	})
}

// rig is a sender and a listener on the embedded bus.
type rig struct {
	t    *testing.T
	loop *clock.Loop
	wire *wire.Bus
	bus  *alter.Bus
	from canbus.Port
	got  []string // as the listener has them: time, identifier, data
	note []string // as the tap has them
	sent []string // as the sender is told
}

type listener struct{ r *rig }

func (l listener) Receive(f *canbus.Frame) {
	l.r.got = append(l.r.got, fmt.Sprintf("%s %X", f.Key(), f.Payload()))
}
func (l listener) Sent(*canbus.Frame) {}

type sender struct{ r *rig }

func (s sender) Receive(*canbus.Frame) {}
func (s sender) Sent(f *canbus.Frame) {
	s.r.sent = append(s.r.sent, fmt.Sprintf("%s %X", f.Key(), f.Payload()))
}

func newRig(t *testing.T) *rig {
	r := &rig{t: t, loop: clock.NewVirtual()}
	var err error
	r.wire, err = wire.New(r.loop, "w", wire.Config{})
	require.NoError(t, err)
	r.bus = alter.Wrap(r.loop, r.wire)
	r.bus.Tap(func(s canbus.Sighting) {
		if s.Touched != "" {
			r.note = append(r.note, s.Touched)
		}
	})
	r.from, err = r.bus.Attach("sender", sender{r})
	require.NoError(t, err)
	_, err = r.bus.Attach("listener", listener{r})
	require.NoError(t, err)
	return r
}

func (r *rig) add(rule alter.Alteration) func() {
	remove, err := r.bus.Add(rule, chance())
	require.NoError(r.t, err)
	return remove
}

// send has frames 100 01, 100 02 ... leave 10 ms apart, and runs.
func (r *rig) send(n int) {
	for i := range n {
		f := canbus.New(0x100, byte(i+1), 0xAA)
		r.loop.At(time.Duration(i)*10*ms, clock.PriorityCar, func() { require.NoError(r.t, r.from.Send(&f)) })
	}
	require.NoError(r.t, r.loop.Run(context.Background(), time.Second))
	assert.Len(r.t, r.sent, n, "the sender believes that all have left")
}

func all(n int) []string {
	var s []string
	for i := range n {
		s = append(s, fmt.Sprintf("100 %02XAA", i+1))
	}
	return s
}

func TestWhatEachActDoes(t *testing.T) {
	for name, c := range map[string]struct {
		rule alter.Alteration
		want []string
		note string
	}{
		"the third is dropped": {
			alter.Alteration{Match: alter.Match{Skip: 2, Count: 1}, Act: alter.Drop},
			[]string{"100 01AA", "100 02AA", "100 04AA", "100 05AA"}, ""},
		"every second is dropped": {
			alter.Alteration{Match: alter.Match{Every: 2}, Act: alter.Drop}, []string{"100 01AA", "100 03AA", "100 05AA"}, ""},
		"the first comes late": {
			alter.Alteration{Match: alter.Match{Count: 1}, Act: alter.Delay, Delay: 25 * ms},
			[]string{"100 02AA", "100 03AA", "100 01AA", "100 04AA", "100 05AA"}, "x: delay by 25ms"},
		"the second comes three times": {
			alter.Alteration{Match: alter.Match{Skip: 1, Count: 1}, Act: alter.Duplicate, Copies: 2, Delay: ms},
			[]string{"100 01AA", "100 02AA", "100 02AA", "100 02AA", "100 03AA", "100 04AA", "100 05AA"}, "x: duplicate, copy 1 of 2"},
		"bits are flipped": {
			alter.Alteration{Match: alter.Match{Count: 1}, Act: alter.Flip, Bytes: []byte{0xFF}, At: 1},
			[]string{"100 0155", "100 02AA", "100 03AA", "100 04AA", "100 05AA"}, "x: flip"},
		"the last byte is overwritten": {
			alter.Alteration{Match: alter.Match{Count: 1}, Act: alter.Overwrite, Bytes: []byte{0x77}, At: -1},
			[]string{"100 0177", "100 02AA", "100 03AA", "100 04AA", "100 05AA"}, "x: overwrite"},
		"it is cut short": {
			alter.Alteration{Match: alter.Match{Count: 1}, Act: alter.Resize, Length: 1},
			[]string{"100 01", "100 02AA", "100 03AA", "100 04AA", "100 05AA"}, "x: resize"},
		"it has another name": {
			alter.Alteration{Match: alter.Match{Count: 1}, Act: alter.Renumber, Key: canbus.KeyOf(0x18DAF110, true)},
			[]string{"18DAF110 01AA", "100 02AA", "100 03AA", "100 04AA", "100 05AA"}, "x: renumber"},
		"it stays as it was": {
			alter.Alteration{Match: alter.Match{Skip: 1}, Act: alter.Freeze},
			[]string{"100 01AA", "100 01AA", "100 01AA", "100 01AA", "100 01AA"}, "x: freeze"},
		"it is 20 ms old": {
			alter.Alteration{Act: alter.Stale, Delay: 20 * ms},
			[]string{"100 01AA", "100 01AA", "100 01AA", "100 02AA", "100 03AA"}, "x: stale"},
		"others are left alone": {
			alter.Alteration{Match: alter.Match{IDs: []replay.Match{replay.ID(0x101)}}, Act: alter.Drop}, all(5), ""},
		"other senders are left alone": {
			alter.Alteration{Match: alter.Match{Sender: func(s string) bool { return s == "listener" }}, Act: alter.Drop}, all(5), ""},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			c.rule.Name = "x"
			r.add(c.rule)
			r.send(5)
			assert.Equal(t, c.want, r.got)
			if c.note == "" {
				assert.Empty(t, r.note)
			} else {
				assert.Contains(t, r.note, c.note)
			}
		})
	}
}

// ISO 15765-2:2016 table 9: the high nibble of the first byte tells the parts apart.
func TestPartsOfAMessageAreToldApart(t *testing.T) {
	for part, want := range map[alter.Part]byte{alter.SingleFrame: 0x02, alter.FirstFrame: 0x10, alter.ConsecutiveFrame: 0x21, alter.FlowControl: 0x30} {
		r := newRig(t)
		r.add(alter.Alteration{Name: "x", Match: alter.Match{Part: part}, Act: alter.Renumber, Key: 0x200})
		for _, pci := range []byte{0x02, 0x10, 0x21, 0x30} {
			f := canbus.New(0x100, pci, 1, 2)
			require.NoError(t, r.from.Send(&f))
		}
		require.NoError(t, r.loop.Run(context.Background(), time.Second))
		assert.Contains(t, r.got, fmt.Sprintf("200 %02X0102", want))
		assert.Len(t, r.note, 1)
	}
}

func TestAWindowGoesInAnotherOrderAndNothingIsLost(t *testing.T) {
	r := newRig(t)
	remove := r.add(alter.Alteration{Name: "x", Act: alter.Reorder, Window: 4, Delay: 100 * ms})
	r.loop.At(500*ms, clock.PriorityCar, remove)
	r.send(10)
	assert.ElementsMatch(t, all(10), r.got)
	assert.NotEqual(t, all(10), r.got)
	assert.ElementsMatch(t, all(10)[:4], r.got[:4], "not beyond the window")
}

// A removed rule touches nothing more, and what it held still goes.
func TestARemovedRuleLetsGo(t *testing.T) {
	r := newRig(t)
	remove := r.add(alter.Alteration{Name: "x", Act: alter.Delay, Delay: 200 * ms})
	r.loop.At(15*ms, clock.PriorityFault, remove)
	r.send(4)
	assert.Equal(t, []string{"100 03AA", "100 04AA", "100 01AA", "100 02AA"}, r.got)
}

func TestSharesAndSpreadsHaveTheirMeans(t *testing.T) {
	const n = 20_000
	r := newRig(t)
	r.add(alter.Alteration{Name: "x", Match: alter.Match{Share: 0.25}, Act: alter.Drop})
	f := canbus.New(0x100)
	sent := 0
	var again func()
	again = func() {
		require.NoError(t, r.from.Send(&f))
		if sent++; sent < n {
			r.loop.At(r.loop.Now()+ms, clock.PriorityCar, again)
		}
	}
	r.loop.At(0, clock.PriorityCar, again)
	require.NoError(t, r.loop.Run(context.Background(), time.Hour))
	assert.InDelta(t, 0.25, float64(r.bus.Stats().Dropped)/n, 0.02)
}

// A flood of identifier 0 leaves nothing for others: the lowest identifier wins
// every arbitration (ISO 11898-1:2015 clause 10.3).
func TestAFloodOfTheLowestIdentifierStarvesTheRest(t *testing.T) {
	r := newRig(t)
	stop, err := alter.Babble{Name: "babbler", Frame: canbus.New(0, 1, 2, 3, 4, 5, 6, 7, 8)}.Start(r.loop, r.bus)
	require.NoError(t, err)
	f := canbus.New(0x100, 1)
	r.loop.At(10*ms, clock.PriorityCar, func() { require.NoError(t, r.from.Send(&f)) })
	r.loop.At(500*ms, clock.PriorityCar, func() {
		assert.Empty(t, r.sent, "not in half a second")
		assert.Greater(t, r.wire.Stats().Load, 0.99)
		stop()
	})
	require.NoError(t, r.loop.Run(context.Background(), time.Second))
	assert.Len(t, r.sent, 1, "at once when it is over")
}

func TestRulesThatCanNotBe(t *testing.T) {
	r := newRig(t)
	for name, rule := range map[string]alter.Alteration{
		"no delay":    {Act: alter.Delay},
		"no copies":   {Act: alter.Duplicate},
		"no window":   {Act: alter.Reorder, Window: 1},
		"no bytes":    {Act: alter.Flip},
		"bad length":  {Act: alter.Resize, Length: 9},
		"bad share":   {Match: alter.Match{Share: 2}},
		"bad act":     {Act: 99},
		"long delay":  {Act: alter.Delay, Delay: 2 * time.Hour},
		"bad skip":    {Match: alter.Match{Skip: -1}},
		"far at":      {Act: alter.Overwrite, Bytes: []byte{1}, At: 64},
		"many copies": {Act: alter.Duplicate, Copies: 1001},
	} {
		_, err := r.bus.Add(rule, chance())
		require.Error(t, err, name)
	}
	_, err := alter.ParseAct("explode")
	require.ErrorContains(t, err, "want one of")
}

func BenchmarkUntouched(b *testing.B) {
	benchmark(b, alter.Alteration{Match: alter.Match{IDs: []replay.Match{replay.ID(0x7FF)}}})
}
func BenchmarkTouched(b *testing.B) {
	benchmark(b, alter.Alteration{Act: alter.Flip, Bytes: []byte{1}})
}

// benchmark sends a short frame and waits for its confirmation, as on a full bus.
func benchmark(b *testing.B, rule alter.Alteration) {
	loop := clock.NewVirtual()
	w, err := wire.New(loop, "w", wire.Config{BitRate: 1_000_000})
	require.NoError(b, err)
	bus := alter.Wrap(loop, w)
	_, err = bus.Add(rule, chance())
	require.NoError(b, err)
	n := &pump{left: b.N, f: canbus.New(0x100, 1)}
	n.port, err = bus.Attach("pump", n)
	require.NoError(b, err)
	_, err = bus.Attach("ear", &pump{})
	require.NoError(b, err)
	b.ReportAllocs()
	b.ResetTimer()
	require.NoError(b, n.port.Send(&n.f))
	require.NoError(b, loop.Run(context.Background(), time.Hour))
	// The time that it took beside the time that the frames filled.
	b.ReportMetric(100*b.Elapsed().Seconds()/n.last.Seconds(), "core-%")
}

type pump struct {
	port canbus.Port
	left int
	f    canbus.Frame
	last time.Duration
}

func (p *pump) Receive(*canbus.Frame) {}
func (p *pump) Sent(f *canbus.Frame) {
	p.last = f.Time
	if p.left--; p.left > 0 {
		_ = p.port.Send(&p.f)
	}
}
