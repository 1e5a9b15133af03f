package broadcast_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/ecu/broadcast"
	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/dbc"
)

// ears are those of the brake unit of the small network.
type ears struct {
	*testing.T
	net      *dbc.Network
	heard    *signal.Table
	receiver *broadcast.Receiver
	now      time.Duration
	count    uint64
}

func newEars(t *testing.T) *ears {
	t.Helper()
	e := &ears{T: t, net: parse(t, small), heard: &signal.Table{}}
	for _, name := range []string{"engine_lost", "engine_wrong", "rpm", "oil_c"} {
		e.heard.Define(name, "", "")
	}
	e.receiver = broadcast.NewReceiver(e.net, "Brake", []broadcast.Hear{
		{Message: "Speed", From: "engine", Timeout: 60 * time.Millisecond,
			Takes: []broadcast.Take{{Signal: "Rpm", As: "rpm"}, {Signal: "Oil", As: "oil_c"}}},
		{Message: "Pages", From: "engine"},
	}, e.heard, func(i int, key, format string, args ...any) { t.Fatalf(format, args...) })
	return e
}

// see is a value and whether it is trusted.
func (e *ears) see(name string) (float64, bool) {
	r, ok := e.heard.Lookup(name)
	require.True(e, ok, name)
	return e.heard.Get(r), e.heard.Trusted(r)
}

func (e *ears) is(name string) bool { v, _ := e.see(name); return v != 0 }

// frame makes a frame of the message as its sender would, with the counter where it is.
func (e *ears) frame(message string, values ...float64) canbus.Frame {
	m, ok := e.net.MessageNamed(message)
	require.True(e, ok)
	f := m.Codec().Frame()
	for i, v := range values {
		m.Codec().SetValue(&f, i, v)
	}
	m.Codec().Count(&f, e.count)
	m.Codec().Seal(&f)
	return f
}

// pass lets time pass, with both messages every 10 ms as far as they are wanted.
func (e *ears) pass(d time.Duration, speed, pages bool, alter func(f *canbus.Frame)) {
	for end := e.now + d; e.now < end; {
		e.now += 5 * time.Millisecond
		if speed && e.now%(10*time.Millisecond) == 0 {
			e.count++
			f := e.frame("Speed", 3000, 90)
			if alter != nil {
				alter(&f)
			}
			e.receiver.Receive(e.now, &f)
		}
		if pages && e.now%(10*time.Millisecond) == 0 {
			f := e.frame("Pages")
			e.receiver.Receive(e.now, &f)
		}
		e.receiver.Tick(e.now)
	}
}

// A message that is missing for its timeout makes its sender lost, and what it said is
// trusted no more; the first frame that comes again ends that.
func TestWhoIsSilentIsLost(t *testing.T) {
	e := newEars(t)
	e.pass(time.Second, true, true, nil)
	_, trusted := e.see("rpm")
	assert.False(t, trusted, "deaf until it listens")
	e.receiver.Listen(e.now, true)
	_, trusted = e.see("rpm")
	assert.False(t, trusted)
	e.pass(20*time.Millisecond, true, true, nil)
	rpm, trusted := e.see("rpm")
	assert.True(t, trusted)
	assert.EqualValues(t, 3000, rpm)
	e.pass(45*time.Millisecond, false, true, nil)
	assert.False(t, e.is("engine_lost"))
	e.pass(20*time.Millisecond, false, true, nil)
	assert.True(t, e.is("engine_lost"))
	_, trusted = e.see("rpm")
	assert.False(t, trusted)
	e.pass(15*time.Millisecond, true, true, nil)
	assert.False(t, e.is("engine_lost"))
	rpm, trusted = e.see("rpm")
	assert.True(t, trusted)
	assert.EqualValues(t, 3000, rpm)
	assert.False(t, e.is("engine_wrong"), "a counter that went on meanwhile is not wrong")

	// Without a timeout it is five cycles, here of 100 ms.
	e.pass(490*time.Millisecond, true, false, nil)
	assert.False(t, e.is("engine_lost"))
	e.pass(20*time.Millisecond, true, false, nil)
	assert.True(t, e.is("engine_lost"))
	e.receiver.Listen(e.now, false)
	assert.False(t, e.is("engine_lost"), "the deaf do not know")
}

// What a wrong frame says does not count; many make the data wrong, and they must stop
// for a while. Up to two lost frames in a row are none of that.
func TestWrongFrames(t *testing.T) {
	flip := func(f *canbus.Frame) { f.Data[0] ^= 0x10 }
	n := 0
	for name, c := range map[string]struct {
		alter   func(e *ears, f *canbus.Frame)
		wrong   bool
		trusted bool
	}{
		"checksum":            {func(_ *ears, f *canbus.Frame) { flip(f) }, true, false},
		"every tenth":         {func(_ *ears, f *canbus.Frame) { n++; flipIf(n%10 == 0, f) }, false, true},
		"every second":        {func(_ *ears, f *canbus.Frame) { n++; flipIf(n%2 == 0, f) }, true, true},
		"counter stands":      {func(e *ears, f *canbus.Frame) { e.count--; *f = e.frame("Speed", 3000, 90) }, true, false},
		"counter jumps by 3":  {func(e *ears, f *canbus.Frame) { e.count += 2; *f = e.frame("Speed", 3000, 90) }, false, true},
		"counter jumps by 4":  {func(e *ears, f *canbus.Frame) { e.count += 3; *f = e.frame("Speed", 3000, 90) }, true, false},
		"counter goes back":   {func(e *ears, f *canbus.Frame) { e.count -= 2; *f = e.frame("Speed", 3000, 90) }, true, false},
		"the frame too short": {func(_ *ears, f *canbus.Frame) { f.Len = 5 }, true, false},
	} {
		t.Run(name, func(t *testing.T) {
			e := newEars(t)
			n = 0
			e.count = 1000
			e.receiver.Listen(0, true)
			e.pass(100*time.Millisecond, true, true, nil)
			e.pass(300*time.Millisecond, true, true, func(f *canbus.Frame) { c.alter(e, f) })
			assert.Equal(t, c.wrong, e.is("engine_wrong"))
			rpm, trusted := e.see("rpm")
			assert.Equal(t, c.trusted, trusted)
			assert.EqualValues(t, 3000, rpm, "never the wrong value")
			assert.False(t, e.is("engine_lost"), "it is there, if wrong")
			e.pass(150*time.Millisecond, true, true, nil)
			assert.False(t, e.is("engine_wrong"))
		})
	}
}

func flipIf(on bool, f *canbus.Frame) {
	if on {
		f.Data[1] ^= 1
	}
}

func TestWhatTheSenderDoesNotKnow(t *testing.T) {
	e := newEars(t)
	e.receiver.Listen(0, true)
	e.pass(50*time.Millisecond, true, true, nil)
	e.pass(50*time.Millisecond, true, true, func(f *canbus.Frame) {
		f.Data[2] = 255
		f.Data[5] = crc8(append(append([]byte{}, f.Data[:5]...), f.Data[6:8]...))
	})
	oil, trusted := e.see("oil_c")
	assert.False(t, trusted)
	assert.EqualValues(t, 90, oil, "the last one known")
	_, trusted = e.see("rpm")
	assert.True(t, trusted)
	assert.False(t, e.is("engine_wrong"))
}

func TestMistakesOfWhatIsHeard(t *testing.T) {
	e := newEars(t)
	for _, c := range []struct {
		hear broadcast.Hear
		want string
	}{
		{broadcast.Hear{Message: "Sped", From: "engine"}, `0 message: "Sped" is no message of small.dbc`},
		{broadcast.Hear{Message: "Other", From: "engine"}, `0 message: Other is sent by the unit itself`},
		{broadcast.Hear{Message: "Speed", From: "motor"}, `0 from: the program cannot tell that "motor" is lost, want one of engine`},
		{broadcast.Hear{Message: "Speed", From: "engine", Takes: []broadcast.Take{{Signal: "Rmp", As: "rpm"}}}, `0 takes: "Rmp" is no signal of Speed`},
		{broadcast.Hear{Message: "Speed", From: "engine", Takes: []broadcast.Take{{Signal: "Rpm", As: "rev"}}}, `0 takes: "rev" is nothing that the program hears, want one of rpm, oil_c`},
	} {
		var got []string
		broadcast.NewReceiver(e.net, "Brake", []broadcast.Hear{c.hear}, e.heard, func(i int, key, format string, args ...any) {
			got = append(got, fmt.Sprintf("%d %s: ", i, key)+fmt.Sprintf(format, args...))
		})
		assert.Equal(t, []string{c.want}, got)
	}
}

func TestHearingAllocatesNothing(t *testing.T) {
	e := newEars(t)
	e.receiver.Listen(0, true)
	f := e.frame("Speed", 1000, 80)
	other := canbus.New(0x7E8, 1, 2, 3)
	assert.Zero(t, testing.AllocsPerRun(1000, func() {
		e.now += 10 * time.Millisecond
		e.receiver.Receive(e.now, &f)
		e.receiver.Receive(e.now, &other)
		e.receiver.Tick(e.now)
	}))
}
