package replay_test

import (
	"errors"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/replay"
)

func TestKeepsGaps(t *testing.T) {
	b := &fakeBus{span: 100 * us}
	r := play(t, recorded(0, 3*ms, 3500*us, 20*ms), replay.Options{}, b)
	assert.Equal(t, []time.Duration{10 * ms, 13 * ms, 13500 * us, 30 * ms}, moments(b))
	s := r.Stats()
	assert.True(t, r.Done())
	assert.NoError(t, r.Err())
	assert.Equal(t, replay.Stats{Read: 4, Sent: 4, Confirmed: 4, Passes: 1}, s)
	assert.Equal(t, 10*ms, b.frames[0].Time, "frames carry the run's time")
}

func TestSpeed(t *testing.T) {
	for speed, want := range map[float64][]time.Duration{
		2:   {10 * ms, 12 * ms, 15 * ms},
		0.5: {10 * ms, 18 * ms, 30 * ms},
		inf: {10 * ms, 10*ms + 100*us, 10*ms + 200*us}, // as fast as the bus takes
	} {
		b := &fakeBus{span: 100 * us}
		r := play(t, recorded(0, 4*ms, 10*ms), replay.Options{Speed: speed}, b)
		assert.Equal(t, want, moments(b), "speed %v", speed)
		assert.True(t, r.Done())
	}
}

func TestFromTo(t *testing.T) {
	b := &fakeBus{}
	r := play(t, recorded(0, 3*ms, 5*ms, 7*ms, 9*ms), replay.Options{From: 2 * ms, To: 7 * ms}, b)
	assert.Equal(t, []got{{11 * ms, 0x101}, {13 * ms, 0x102}}, b.got, "the start is the moment of From; To is not included")
	assert.EqualValues(t, 2, r.Stats().Read)

	_, err := replay.New(clock.NewVirtual(), nil, recorded(0, ms), replay.Options{From: time.Second})
	assert.ErrorContains(t, err, "replay: the recording has no frame in the part to play")
}

func TestLoopJoinsWithTheMeanGap(t *testing.T) {
	b := &fakeBus{}
	r := play(t, recorded(0, 1*ms, 4*ms), replay.Options{Loop: 3}, b)
	// The mean gap of the pass is 2 ms.
	assert.Equal(t, []time.Duration{10 * ms, 11 * ms, 14 * ms, 16 * ms, 17 * ms, 20 * ms, 22 * ms, 23 * ms, 26 * ms}, moments(b))
	assert.EqualValues(t, 3, r.Stats().Passes)
	assert.True(t, r.Done())
}

func TestLoopOfAPartWithAGapOfItsOwn(t *testing.T) {
	b := &fakeBus{}
	play(t, recorded(0, 3*ms, 4*ms, 9*ms), replay.Options{Loop: 2, From: 2 * ms, To: 5 * ms, JoinGap: 6 * ms, Speed: 2}, b)
	assert.Equal(t, []time.Duration{10500 * us, 11 * ms, 14 * ms, 14500 * us}, moments(b))
}

func TestLoopForEverEndsAtUntil(t *testing.T) {
	b := &fakeBus{span: 10 * us}
	r := play(t, recorded(0, 1*ms), replay.Options{Loop: replay.Forever, Until: 20*ms + 500*us}, b)
	assert.Len(t, b.got, 11)
	assert.True(t, r.Done())
	assert.NoError(t, r.Err())
}

func TestLoopsThatCannotBe(t *testing.T) {
	bus := func() []canbus.Bus { return []canbus.Bus{&fakeBus{loop: clock.NewVirtual()}} }
	_, err := replay.New(clock.NewVirtual(), bus(), stream{recorded(0, ms)}, replay.Options{Loop: 2})
	assert.ErrorContains(t, err, "a loop needs a recording that can be read again")
	_, err = replay.New(clock.NewVirtual(), bus(), recorded(0, ms), replay.Options{Loop: replay.Forever, Only: []replay.Match{replay.ID(0x7FF)}})
	assert.ErrorContains(t, err, "the filters leave nothing to play in a loop")
	b := &fakeBus{}
	r := play(t, recorded(0), replay.Options{Loop: replay.Forever}, b)
	assert.ErrorContains(t, r.Err(), "a loop over a single moment of the recording needs a join gap")
	assert.Len(t, b.got, 1)
	for _, opt := range []replay.Options{{Speed: -1}, {From: -1}, {From: 2, To: 1}, {Loop: -2}, {JoinGap: -1}} {
		_, err := replay.New(clock.NewVirtual(), nil, recorded(0), opt)
		assert.ErrorContains(t, err, "want", "%+v", opt)
	}
}

func TestFiltersKeepTime(t *testing.T) {
	src := recorded(0, 1*ms, 2*ms, 3*ms, 4*ms)
	src.frames[4] = canbus.NewExtended(0x101)
	src.frames[4].Time = src.frames[0].Time + 4*ms
	match := func(s string) replay.Match {
		m, err := replay.ParseMatch(s)
		require.NoError(t, err)
		return m
	}
	for _, c := range []struct {
		only, skip string
		want       []canbus.Key
	}{
		{"101", "", []canbus.Key{0x101}},
		{"", "101", []canbus.Key{0x100, 0x102, 0x103, 0x80000101}},
		{"101-102", "", []canbus.Key{0x101, 0x102}},
		{"100/7FD", "", []canbus.Key{0x100, 0x102}},
		{"00000101", "", []canbus.Key{0x80000101}},
		{"00000000/1FFFFF00", "", nil},
		{"00000100/1FFFFF00", "", []canbus.Key{0x80000101}},
		{"100-103", "101", []canbus.Key{0x100, 0x102, 0x103}},
	} {
		var opt replay.Options
		if c.only != "" {
			opt.Only = []replay.Match{match(c.only)}
		}
		if c.skip != "" {
			opt.Skip = []replay.Match{match(c.skip)}
		}
		b := &fakeBus{}
		r := play(t, &list{frames: src.frames}, opt, b)
		assert.Equal(t, c.want, keys(b), "%+v", c)
		for _, g := range b.got {
			at := time.Duration(g.key&0xF) * ms
			if g.key.Extended() {
				at = 4 * ms
			}
			assert.Equal(t, 10*ms+at, g.at, "what is left out keeps its share of time")
		}
		assert.EqualValues(t, 5-len(c.want), r.Stats().LeftOut)
	}
}

func TestParseMatchRefuses(t *testing.T) {
	for _, s := range []string{"", "x", "800", "20000000", "7E8-", "7E8-7E0", "7E0-000007E8", "700/", "700/G", "7000000000/1", "700/20000000"} {
		_, err := replay.ParseMatch(s)
		assert.ErrorContains(t, err, "want", s)
	}
}

func TestRemapAndBuses(t *testing.T) {
	src := recorded(0, ms, 2*ms, 3*ms)
	for i := range src.frames {
		src.frames[i].Bus = uint8(i)
	}
	a, b := &fakeBus{}, &fakeBus{}
	r := play(t, src, replay.Options{
		Remap:  map[canbus.Key]canbus.Key{0x100: canbus.KeyOf(0x18FF0010, true), 0x101: 0x7E8},
		BusMap: map[uint8]int{0: 1, 1: 0, 2: replay.NoBus},
	}, a, b)
	assert.Equal(t, []got{{11 * ms, 0x7E8}}, a.got)
	assert.Equal(t, []got{{10 * ms, canbus.KeyOf(0x18FF0010, true)}}, b.got)
	assert.EqualValues(t, 1, b.frames[0].Bus)
	s := r.Stats()
	assert.EqualValues(t, 1, s.LeftOut, "bus 2")
	assert.EqualValues(t, 1, s.Homeless, "bus 3 is nowhere")
	assert.EqualValues(t, 2, s.Sent)
}

func TestErrorReportsAreNotSent(t *testing.T) {
	src := recorded(0, ms)
	src.frames[0] = canbus.Frame{Time: src.frames[0].Time, ID: 0x40, Flags: canbus.Error, Len: 8}
	b := &fakeBus{}
	r := play(t, src, replay.Options{}, b)
	assert.Equal(t, []got{{11 * ms, 0x101}}, b.got)
	assert.EqualValues(t, 1, r.Stats().Reports)
}

func TestTimesThatGoBack(t *testing.T) {
	b := &fakeBus{}
	r := play(t, recorded(0, 10*ms, 8*ms, 12*ms, -time.Hour, -time.Hour+5*ms), replay.Options{}, b)
	assert.Equal(t, []time.Duration{10 * ms, 20 * ms, 20 * ms, 22 * ms, 22 * ms, 27 * ms}, moments(b))
	assert.Equal(t, []canbus.Key{0x100, 0x101, 0x102, 0x103, 0x104, 0x105}, keys(b))
	assert.EqualValues(t, 2, r.Stats().StepsBack)
}

// A bus slower than the recording: all frames arrive, in order, late; then the
// replay is on time again.
func TestBackPressureWaits(t *testing.T) {
	var at []time.Duration
	for i := range 500 {
		at = append(at, time.Duration(i)*10*us)
	}
	at = append(at, time.Second)
	b := &fakeBus{span: 100 * us}
	var heard []time.Duration
	r := play(t, recorded(at...), replay.Options{Late: func(d time.Duration) { heard = append(heard, d) }}, b)
	require.Len(t, b.got, 501)
	for i, g := range b.got {
		require.EqualValues(t, 0x100+i, g.key)
	}
	assert.Equal(t, 10*ms+499*100*us, b.got[499].at)
	assert.Equal(t, 1010*ms, b.got[500].at)
	s := r.Stats()
	assert.Equal(t, 499*90*us, s.Max)
	assert.InEpsilon(t, 250*90*us, s.P50, 0.07)
	assert.InEpsilon(t, 495*90*us, s.P99, 0.07)
	assert.Len(t, heard, 501)
	assert.Equal(t, 499*90*us, heard[499])
	assert.Zero(t, heard[500])
}

func TestFullPortIsAskedAgain(t *testing.T) {
	b := &fakeBus{refuse: func(n int) error {
		if n <= 3 {
			return canbus.ErrQueueFull
		}
		return nil
	}}
	r := play(t, recorded(0, ms), replay.Options{}, b)
	// Asked at 10 ms, twice at 11 ms (the second frame is due as well), and at 12 ms.
	assert.Equal(t, []got{{12 * ms, 0x100}, {12 * ms, 0x101}}, b.got)
	s := r.Stats()
	assert.EqualValues(t, 3, s.Full)
	assert.EqualValues(t, 2, s.Confirmed)
	assert.NoError(t, r.Err())
}

func TestRefusals(t *testing.T) {
	b := &fakeBus{refuse: func(n int) error {
		if n == 2 {
			return canbus.ErrBusOff
		}
		return nil
	}}
	r := play(t, recorded(0, ms, 2*ms), replay.Options{}, b)
	assert.Equal(t, []canbus.Key{0x100, 0x102}, keys(b), "life goes on")
	assert.ErrorIs(t, r.Err(), canbus.ErrBusOff)
	assert.ErrorContains(t, r.Err(), "replay: frame 101")
	assert.EqualValues(t, 1, r.Stats().Refused)

	b = &fakeBus{refuse: func(int) error { return canbus.ErrClosed }}
	r = play(t, recorded(0, ms, 2*ms), replay.Options{}, b)
	assert.ErrorIs(t, r.Err(), canbus.ErrClosed)
	assert.True(t, r.Done())
	assert.Equal(t, 1, b.n)
}

// A port that loses a frame, as one that went bus-off, does not stop the others.
func TestUnconfirmedFramesDoNotStopTheRest(t *testing.T) {
	b := &fakeBus{mute: true}
	finished := 0
	r := play(t, recorded(0, ms, 2*ms), replay.Options{Finished: func() { finished++ }}, b)
	assert.Equal(t, []time.Duration{10 * ms, 260 * ms, 510 * ms}, moments(b))
	assert.True(t, r.Done())
	assert.Equal(t, 1, finished)
	assert.Zero(t, r.Stats().Confirmed)
}

func TestJamOnOneBusLeavesTheOtherAlone(t *testing.T) {
	var at []time.Duration
	for i := range 60 {
		at = append(at, time.Duration(i)*ms)
	}
	src := recorded(at...)
	for i := range src.frames {
		src.frames[i].Bus = uint8(i % 2)
	}
	slow, fast := &fakeBus{span: 100 * ms}, &fakeBus{span: us}
	play(t, src, replay.Options{}, slow, fast)
	assert.Len(t, slow.got, 30)
	for i, g := range fast.got {
		assert.Equal(t, 10*ms+time.Duration(2*i+1)*ms, g.at)
	}
}

func TestPortsThatConfirmAtOnce(t *testing.T) {
	b := &fakeBus{atOnce: true}
	r := play(t, recorded(0, 0, 0, ms), replay.Options{}, b)
	assert.Len(t, b.got, 4)
	assert.True(t, r.Done())
}

func TestDamagedRecordingPlaysWhatThereIs(t *testing.T) {
	src := recorded(0, ms)
	src.end = io.ErrUnexpectedEOF
	b := &fakeBus{}
	r := play(t, src, replay.Options{Loop: 5}, b)
	assert.Len(t, b.got, 2)
	assert.ErrorIs(t, r.Err(), io.ErrUnexpectedEOF)

	_, err := replay.New(clock.NewVirtual(), nil, &list{end: io.ErrUnexpectedEOF}, replay.Options{})
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
}

func TestStopAndClose(t *testing.T) {
	b := &fakeBus{loop: clock.NewVirtual()}
	finished := 0
	r, err := replay.New(b.loop, []canbus.Bus{b}, recorded(0, ms), replay.Options{Finished: func() { finished++ }})
	require.NoError(t, err)
	require.NoError(t, r.Close())
	assert.True(t, b.closed)
	assert.True(t, r.Done())
	require.NoError(t, r.Close())
	assert.Equal(t, 1, finished)
}

// Whatever the gaps, the bus and the options: every frame of the part is
// accounted for, frames keep their order, and none leaves before its moment.
func TestAccounts(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var at []time.Duration
		now := time.Duration(0)
		for range rapid.IntRange(1, 200).Draw(rt, "frames") {
			now += time.Duration(rapid.IntRange(0, 3000).Draw(rt, "gap")) * us
			at = append(at, now)
		}
		b := &fakeBus{span: time.Duration(rapid.IntRange(0, 2000).Draw(rt, "span")) * us}
		if rapid.Bool().Draw(rt, "full now and then") {
			b.refuse = func(n int) error {
				if n%7 == 3 {
					return canbus.ErrQueueFull
				}
				return nil
			}
		}
		speed := rapid.SampledFrom([]float64{0, 1, 3, 0.25}).Draw(rt, "speed")
		r := play(t, recorded(at...), replay.Options{Speed: speed, Skip: []replay.Match{replay.Range(0x110, 0x120)}}, b)
		s := r.Stats()
		if !r.Done() || errors.Join(r.Err()) != nil || s.Read != uint64(len(at)) || s.Read != s.Sent+s.LeftOut || s.Confirmed != s.Sent {
			rt.Fatalf("not all accounted for: %+v %v", s, r.Err())
		}
		if speed == 0 {
			speed = 1
		}
		for i, g := range b.got {
			n := int(g.key - 0x100)
			moment := 10*ms + time.Duration(float64(at[n]-at[0])/speed)
			if g.at < moment || i > 0 && g.key <= b.got[i-1].key {
				rt.Fatalf("frame %v at %v, its moment is %v", g.key, g.at, moment)
			}
		}
	})
}
