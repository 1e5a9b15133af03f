package wire

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// A frame is delivered at the end of its EOF, its stuffed length after it was
// sent on an idle bus: 118 bits of 2 us for this one (ISO 11898-1:2015 field
// lists, computed outside the project).
func TestDeliveryAtTheEndOfTheFrame(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	f := canbus.New(0x7E8, 4, 0x41, 0x0C, 9, 0x70, 0, 0, 0)
	r.at(time.Millisecond, func() { a.send(f) })
	var sentAt, heardAt time.Duration
	a.onSent = func(*canbus.Frame) { sentAt = r.loop.Now() }
	b.onFrame = func(*canbus.Frame) { heardAt = r.loop.Now() }
	r.run(time.Second)
	want := time.Millisecond + 118*tbit
	assert.Equal(t, want, sentAt)
	assert.Equal(t, want, heardAt)
	assert.Equal(t, want, b.received[0].Time)
	assert.Equal(t, want, r.taps[0].Time)
}

// Back-to-back frames are 3 bits of intermission apart; at 111 bits a frame the
// bus carries 4504 a second (8-byte base frames without stuff bits).
func TestBackToBackFrames(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	f := canbus.New(0x555, 0x55, 0xAA, 0x55, 0xAA, 0x55, 0xAA, 0x55, 0xAA)
	n, _ := Bits(&f)
	a.onSent = func(*canbus.Frame) { a.send(f) }
	a.send(f)
	r.run(time.Second)
	require.Greater(t, len(b.received), 2)
	for i := 1; i < len(b.received); i++ {
		require.Equal(t, time.Duration(n+3)*tbit, b.received[i].Time-b.received[i-1].Time)
	}
	assert.Equal(t, int(time.Second/(time.Duration(n+3)*tbit)), len(b.received))
	s := r.bus.Stats()
	assert.InDelta(t, 1, s.Load, 1e-3, "intermission belongs to the frame: a full bus is at 1")
	assert.Equal(t, uint64(len(b.received)*n), s.Bits)
	assert.Equal(t, uint64(len(b.received)), s.Frames)
	assert.Zero(t, s.Errors)
}

// The table of bit rates: worst 8-byte frames and 128 x 11 bits follow from tbit.
func TestBitRates(t *testing.T) {
	for _, c := range []struct {
		rate  int
		frame time.Duration // 120 bits, the length of the vector below
		back  time.Duration
	}{
		{10_000, 12 * time.Millisecond, 140_800 * time.Microsecond},
		{125_000, 960 * time.Microsecond, 11_264 * time.Microsecond},
		{250_000, 480 * time.Microsecond, 5_632 * time.Microsecond},
		{500_000, 240 * time.Microsecond, 2_816 * time.Microsecond},
		{1_000_000, 120 * time.Microsecond, 1_408 * time.Microsecond},
	} {
		r := newRig(t, Config{BitRate: c.rate})
		a, b := r.node("a"), r.node("b")
		a.send(canbus.New(0x7DF, 2, 1, 0x0C, 0, 0, 0, 0, 0))
		var back time.Duration
		off := 100 * time.Millisecond
		r.at(off, func() {
			b.p.ForceBusOff()
			assert.NoError(t, b.p.Recover())
		})
		r.bus.Tap(func(s canbus.Sighting) {
			if s.Frame.ID&classRestarted != 0 {
				back = s.Frame.Time - off
			}
		})
		r.run(time.Second)
		assert.Equal(t, c.frame, b.received[0].Time, c.rate)
		assert.Equal(t, c.back, back, c.rate)
	}
}

// The data phase runs at its own rate: 160 bits of this frame are 29 - 3 nominal
// ones and their stuff bits, the rest fast.
func TestDataPhase(t *testing.T) {
	r := newRig(t, Config{BitRate: 500_000, DataBitRate: 8_000_000})
	a, b := r.node("a"), r.node("b")
	f := canbus.NewFD(0x7E0, canbus.BitRateSwitch, 0x00, 0x0A, 0x22, 0xF1, 0x90, 0xF1, 0x8C, 0xF1, 0x86, 0xF1, 0x95, 0xF1)
	a.send(f)
	r.run(time.Second)
	nominal, data := Bits(&f)
	require.Equal(t, 160, nominal+data)
	want := time.Duration(nominal)*tbit + time.Duration(data)*125*time.Nanosecond
	assert.Equal(t, want, b.received[0].Time)
	assert.Less(t, want, 160*tbit)
}

// Bit rates that do not divide a second still add up over many bits.
func TestOddBitRates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rateBits := rapid.IntRange(MinBitRate, MaxDataBitRate).Draw(t, "rate")
		n := rapid.IntRange(0, 2000).Draw(t, "bits")
		exact := float64(n) * 1e9 / float64(rateBits)
		r := newRate(rateBits)
		if d := float64(r.span(n)) - exact; d > 0.6 || d < -0.6 {
			t.Fatalf("%d bits at %d: %v ns, want %v", n, rateBits, r.span(n), exact)
		}
		if unit := rapid.IntRange(1, 20).Draw(t, "unit"); r.whole(r.span(n*unit), unit) != n {
			t.Fatalf("%d times %d bits at %d: %d", n, unit, rateBits, r.whole(r.span(n*unit), unit))
		}
	})
}

func TestConfigLimits(t *testing.T) {
	for _, c := range []struct {
		cfg  Config
		want string
	}{
		{Config{BitRate: 9_999}, "bit rate 9999, want 10000 to 1000000"},
		{Config{BitRate: 1_000_001}, "bit rate 1000001"},
		{Config{BitRate: -1}, "bit rate -1"},
		{Config{DataBitRate: 8_000_001}, "data bit rate 8000001, want 500000 to 8000000"},
		{Config{DataBitRate: 499_999}, "data bit rate 499999"},
		{Config{Queue: -1}, "queue of -1"},
		{Config{Queue: MaxQueue + 1}, "want 1 to 65536"},
		{Config{RecoverAfter: -1}, "recovery after -1ns"},
		{Config{Window: time.Nanosecond}, "load window 1ns"},
	} {
		_, err := New(clock.NewVirtual(), "mem", c.cfg)
		require.Error(t, err)
		assert.ErrorContains(t, err, c.want)
		assert.ErrorContains(t, err, `bus "mem"`)
	}
	b, err := New(clock.NewVirtual(), "mem", Config{})
	require.NoError(t, err)
	assert.Equal(t, Config{BitRate: 500_000, Queue: 256, Window: time.Second}, b.Config())
}

// The meter against a list of occupied spans.
func TestMeterAgainstList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const window = 64 * time.Millisecond
		m := newMeter(window)
		type span struct{ from, to time.Duration }
		var spans []span
		now := time.Duration(0)
		overlap := func(from, to time.Duration) (d time.Duration) {
			for _, s := range spans {
				d += max(min(s.to, to)-max(s.from, from), 0)
			}
			return d
		}
		for range rapid.IntRange(1, 60).Draw(t, "spans") {
			now += time.Duration(rapid.IntRange(0, 40_000).Draw(t, "gap")) * time.Microsecond
			if rapid.IntRange(0, 20).Draw(t, "long") == 0 {
				now += time.Second
			}
			to := now + time.Duration(rapid.IntRange(1, 9000).Draw(t, "length"))*time.Microsecond
			m.occupy(now, to)
			spans = append(spans, span{now, to})
			now = now + (to-now)*time.Duration(rapid.IntRange(0, 100).Draw(t, "look"))/100
			if got, want := m.at(now), overlap(0, now); got != want {
				t.Fatalf("at %v: %v occupied, want %v", now, got, want)
			}
			from := max(now-window, 0)
			want := 0.0
			if now > 0 {
				want = float64(overlap(from, now)) / float64(now-from)
			}
			// One step of 64 may be counted in part.
			if got := m.load(now); got < want-1.0/64 || got > want+1.0/64 {
				t.Fatalf("load at %v: %v, want %v", now, got, want)
			}
			now = to
		}
	})
}

func TestLoadFallsWithSilence(t *testing.T) {
	r := newRig(t, Config{Window: 100 * time.Millisecond})
	a, b := r.node("a"), r.node("b")
	f := canbus.New(0x555, 0x55, 0xAA)
	a.onSent = func(*canbus.Frame) {
		if r.loop.Now() < 50*time.Millisecond {
			a.send(f)
		}
	}
	a.send(f)
	loads := map[time.Duration]float64{}
	for _, at := range []time.Duration{25, 50, 100, 125, 175} {
		r.at(at*time.Millisecond, func() { loads[at] = r.bus.Stats().Load })
	}
	r.run(time.Second)
	assert.InDelta(t, 1, loads[25], 0.01)
	assert.InDelta(t, 1, loads[50], 0.01)
	assert.InDelta(t, 0.5, loads[100], 0.01)
	assert.InDelta(t, 0.25, loads[125], 0.01)
	assert.Zero(t, loads[175])
	s := r.bus.Stats()
	n, _ := Bits(&f)
	assert.Equal(t, time.Duration(len(b.received)*(n+3))*tbit, s.Busy)
	assert.InDelta(t, s.Busy.Seconds(), s.Total, 1e-9, "of one second")
}
