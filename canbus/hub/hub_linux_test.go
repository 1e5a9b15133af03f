package hub_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/hub"
	"sawhorse/canbus/wire"
)

const patience = 10 * time.Second

func (b *bench) listen(opt hub.Options) (*hub.Server, *words) {
	b.t.Helper()
	w := &words{}
	opt.OnJoin = func(name string) { w.say(name, "join") }
	opt.OnLeave = func(name string) { w.say(name, "leave") }
	opt.OnDrop = func(name, reason string) { w.say(name, "drop", reason) }
	s, err := hub.Listen(b.path, b.loop, b.bus, opt)
	require.NoError(b.t, err)
	b.run()
	b.t.Cleanup(func() {
		b.end()
		require.NoError(b.t, s.Close())
	})
	return s, w
}

func (b *bench) dial() canbus.Conn {
	b.t.Helper()
	c, err := hub.Dial(b.path)
	require.NoError(b.t, err)
	b.t.Cleanup(func() { _ = c.Close() })
	return c
}

// raw connects without the manners of Dial.
func (b *bench) raw(t testing.TB) *net.UnixConn {
	t.Helper()
	c, err := net.DialUnix("unixpacket", nil, &net.UnixAddr{Name: b.path, Net: "unixpacket"})
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close() })
	return c
}

// joined waits until n clients have come onto the bus.
func joined(t testing.TB, s *hub.Server, n int) {
	t.Helper()
	require.Eventually(t, func() bool { return s.Stats().Joined == n }, patience, time.Millisecond)
}

func read(t testing.TB, c canbus.Conn) canbus.Frame {
	t.Helper()
	var f canbus.Frame
	require.NoError(t, c.Read(&f))
	return f
}

// settled waits until no more goroutines are left than there were.
func settled(t *testing.T, before int) {
	t.Helper()
	for end := time.Now().Add(patience); runtime.NumGoroutine() > before; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			stacks := make([]byte, 1<<16)
			t.Fatalf("goroutines are left:\n%s", stacks[:runtime.Stack(stacks, true)])
		}
	}
}

// bare is the frame without its moment.
func bare(f canbus.Frame) canbus.Frame { f.Time = 0; return f }

var kinds = []canbus.Frame{
	canbus.New(0x123, 1, 2, 3),
	canbus.New(0),
	canbus.New(0x7FF, 1, 2, 3, 4, 5, 6, 7, 8),
	canbus.NewExtended(0x123, 9),
	canbus.NewExtended(0x1FFFFFFF, 1, 2, 3, 4, 5, 6, 7, 8),
	{ID: 0x321, Flags: canbus.Remote, Len: 4},
	{ID: 0x321, Flags: canbus.Remote | canbus.Extended},
	{ID: 0x55, Len: 8, RawDLC: 15},
	canbus.NewFD(0x200, 0, make([]byte, 64)...),
	canbus.NewFD(0x200, canbus.BitRateSwitch|canbus.Extended, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12),
	canbus.NewFD(0x200, canbus.ErrorPassive),
}

func TestEveryNodeSeesTheFramesOfTheOthersOnly(t *testing.T) {
	b := newBench(t, 0, 100)
	local := &listener{}
	port, err := b.bus.Attach("local", local)
	require.NoError(t, err)
	s, w := b.listen(hub.Options{})
	a := b.dial()
	joined(t, s, 1)
	c := b.dial()
	joined(t, s, 2)

	for _, f := range kinds {
		require.NoError(t, a.Write(&f))
	}
	for _, f := range kinds {
		assert.Equal(t, f, bare(read(t, c)))
	}
	require.Eventually(t, func() bool { return len(local.got()) == len(kinds) }, patience, time.Millisecond)
	b.do(func() { require.NoError(t, port.Send(&kinds[0])) })
	// Had a's own frames been echoed to it, one of them would come first.
	mark := canbus.New(0x7F0, 42)
	require.NoError(t, c.Write(&mark))
	assert.Equal(t, kinds[0], bare(read(t, a)))
	assert.Equal(t, mark, bare(read(t, a)))

	assert.Equal(t, []string{"client-1 join", "client-2 join"}, w.all())
	var st hub.Stats
	b.do(func() { st = s.Stats() }) // a frame is counted once it is sent: a client may be quicker
	assert.Equal(t, uint64(len(kinds)+1), st.In)
	assert.Equal(t, uint64(len(kinds)+3), st.Out)
}

func TestFramesCarryTheMomentOfTheKernel(t *testing.T) {
	b := newBench(t, 0, 100)
	s, _ := b.listen(hub.Options{})
	a, c := b.dial(), b.dial()
	joined(t, s, 2)
	last := time.Duration(time.Now().UnixNano())
	for i := range 50 {
		f := canbus.New(canbus.ID(i))
		require.NoError(t, a.Write(&f))
		got := read(t, c)
		assert.GreaterOrEqual(t, got.Time, last)
		last = got.Time
	}
	assert.LessOrEqual(t, last, time.Duration(time.Now().UnixNano()))
}

func TestALongBurstWithinTheQueueIsCarriedInOrder(t *testing.T) {
	b := newBench(t, 0, 4) // the port holds four: the rest waits in the hub
	s, w := b.listen(hub.Options{Queue: 5000})
	a, c := b.dial(), b.dial()
	joined(t, s, 2)
	const n = 5000
	errs := make(chan error, 1)
	go func() {
		for i := range n {
			f := canbus.New(0x100, byte(i), byte(i>>8))
			if err := a.Write(&f); err != nil {
				errs <- err
				return
			}
		}
		errs <- nil
	}()
	for i := range n {
		require.Equal(t, canbus.New(0x100, byte(i), byte(i>>8)), bare(read(t, c)), "frame %d; %v", i, w.all())
	}
	require.NoError(t, <-errs)
	assert.Zero(t, s.Stats().Dropped)
}

// Frames that a client writes at one moment leave in that order, whatever their
// identifiers: those of a recording with a coarse clock, a first frame before the flow
// control that answers it.
func TestFramesOfAClientKeepTheirOrder(t *testing.T) {
	loop, err := clock.NewWall()
	require.NoError(t, err)
	bus, err := wire.New(loop, "w", wire.Config{}) // whose ports let the lowest identifier go first
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "bus")
	s, err := hub.Listen(path, loop, bus, hub.Options{})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- loop.Run(ctx, time.Hour) }()
	defer func() { cancel(); <-done; require.NoError(t, s.Close()) }()
	a, err := hub.Dial(path)
	require.NoError(t, err)
	defer a.Close()
	c, err := hub.Dial(path)
	require.NoError(t, err)
	defer c.Close()
	joined(t, s, 2)
	ids := []canbus.ID{0x7E8, 0x7E0, 0x100, 0x7FF, 0, 0x123, 0x122}
	for _, id := range ids {
		f := canbus.New(id, 1)
		require.NoError(t, a.Write(&f))
	}
	for i, id := range ids {
		require.Equal(t, id, read(t, c).ID, "frame %d", i)
	}
}

// A client that does not read loses the oldest frames and no more; when it reads again
// it has what is left in order, up to the newest.
func TestASlowClientKeepsItsBusAndTheNewestFrames(t *testing.T) {
	b := newBench(t, 0, 10_000)
	told := 0
	s, w := b.listen(hub.Options{Queue: 100, OnLost: func(name string, frames int) {
		assert.Equal(t, "client-1", name)
		assert.Equal(t, told+1, frames)
		told = frames
	}})
	slow := b.dial() // does not read yet
	joined(t, s, 1)
	good := b.dial()
	joined(t, s, 2)
	local := &listener{}
	port, err := b.bus.Attach("local", local)
	require.NoError(t, err)
	n := 0
	send := func() {
		n++
		f := canbus.New(0x100, byte(n), byte(n>>8))
		b.do(func() { require.NoError(t, port.Send(&f)) })
		require.Equal(t, f, bare(read(t, good)))
	}
	for s.Stats().Lost < 500 {
		require.Less(t, n, 20_000, "nothing lost")
		send()
	}
	last, left := 0, 0
	for last < n {
		f := read(t, slow)
		number := int(f.Data[0]) | int(f.Data[1])<<8
		require.Greater(t, number, last, "in order")
		last = number
		left++
	}
	assert.Equal(t, n-500, left, "what was not lost came")
	send()
	assert.Equal(t, n, int(read(t, slow).Data[0])|n&^0xFF, "it is on the bus as before")
	b.do(func() { assert.Equal(t, 500, told) })
	assert.Equal(t, []string{"client-1 join", "client-2 join"}, w.all())
	assert.Equal(t, 2, s.Stats().Clients)
}

// Clients beyond the number are refused with a reason, and their places are free again
// when others leave.
func TestClientsAreBounded(t *testing.T) {
	b := newBench(t, 0, 100)
	s, w := b.listen(hub.Options{})
	var conns []canbus.Conn
	for range hub.MaxClients {
		conns = append(conns, b.dial())
	}
	joined(t, s, hub.MaxClients)
	b.dial()
	require.Eventually(t, func() bool { return s.Stats().Dropped == 1 }, patience, time.Millisecond)
	assert.Contains(t, strings.Join(w.all(), "; "), "drop 64 clients are on the bus already")
	require.NoError(t, conns[0].Close())
	require.Eventually(t, func() bool { return s.Stats().Clients == hub.MaxClients-1 }, patience, time.Millisecond)
	b.dial()
	joined(t, s, hub.MaxClients+1)
}

// Who comes and goes without pause keeps nobody out: a client with something to say is on
// the bus soon.
func TestAStormOfConnectionsKeepsNobodyOut(t *testing.T) {
	b := newBench(t, 0, 100)
	s, _ := b.listen(hub.Options{})
	for range 2000 {
		c, err := net.DialUnix("unixpacket", nil, &net.UnixAddr{Name: b.path, Net: "unixpacket"})
		require.NoError(t, err)
		require.NoError(t, c.Close())
	}
	a, c := b.dial(), b.dial()
	f := canbus.New(0x123, 1)
	require.Eventually(t, func() bool { return s.Stats().Clients == 2 }, patience, time.Millisecond)
	require.NoError(t, a.Write(&f))
	require.Equal(t, f, bare(read(t, c)))
}

func TestTheSocketHasItsMode(t *testing.T) {
	b := newBench(t, 0, 100)
	b.listen(hub.Options{Mode: 0o660, Group: os.Getgid(), GroupSet: true})
	info, err := os.Stat(b.path)
	require.NoError(t, err)
	assert.Equal(t, fs.FileMode(0o660), info.Mode().Perm())
}

func TestAFloodBeyondTheQueueIsDroppedAndTheRestGoesOn(t *testing.T) {
	b := newBench(t, time.Millisecond, 4)
	s, w := b.listen(hub.Options{Queue: 50})
	flood := b.dial()
	joined(t, s, 1)
	good := b.dial()
	joined(t, s, 2)
	var err error
	for n := 0; err == nil; n++ {
		require.Less(t, n, 100_000, "never dropped")
		f := canbus.New(0x100, byte(n), byte(n>>8))
		err = flood.Write(&f)
	}
	require.ErrorIs(t, err, canbus.ErrClosed)
	require.Eventually(t, func() bool { return s.Stats().Dropped == 1 }, patience, time.Millisecond)
	assert.Contains(t, w.all(), "client-1 drop flooded the bus: 50 frames wait to be sent, at most 50 may")
	// What the bus had taken comes in order; then it is free for the others.
	f := canbus.New(0x7F0)
	require.NoError(t, good.Write(&f))
	c := b.dial()
	joined(t, s, 3)
	require.NoError(t, c.Write(&f))
	for i := 0; ; i++ {
		got := bare(read(t, good))
		if got.ID == 0x7F0 {
			break
		}
		require.Equal(t, canbus.New(0x100, byte(i), byte(i>>8)), got)
	}
}

func TestARudeClientIsDroppedWithTheReason(t *testing.T) {
	errorFrame := canbus.Frame{ID: 0x40, Flags: canbus.Error, Len: 8}
	for name, c := range map[string]struct {
		packet []byte
		reason string
	}{
		"half a frame":       {make([]byte, 7), "sent a packet that is no frame: not a CAN frame: record of 7 bytes, want 16 or 72"},
		"two frames in one":  {make([]byte, 32), "sent a packet that is no frame: not a CAN frame: record of 32 bytes, want 16 or 72"},
		"a large packet":     {make([]byte, 4000), "sent a packet that is no frame: not a CAN frame: record of 4000 bytes, want 16 or 72"},
		"nine classic bytes": {append([]byte{0, 1, 0, 0, 9}, make([]byte, 11)...), "sent a packet that is no frame: not a CAN frame: length 9 in a record of 16 bytes"},
		"thirteen FD bytes":  {append([]byte{0, 1, 0, 0, 13}, make([]byte, 67)...), "sent a packet that is no frame: not a CAN frame: 13 data bytes is no CAN FD length (0..8 12 16 20 24 32 48 64)"},
		"an error report": {errorFrame.AppendRecord(nil),
			"sent a packet that is no frame: not a CAN frame: error reports come from a controller, not from a node"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, 0, 100)
			s, w := b.listen(hub.Options{})
			rude := b.raw(t)
			joined(t, s, 1)
			a, c2 := b.dial(), b.dial()
			joined(t, s, 3)
			first := canbus.New(0x111, 1)
			_, err := rude.Write(first.AppendRecord(nil))
			require.NoError(t, err)
			_, err = rude.Write(c.packet)
			require.NoError(t, err)
			assert.Equal(t, first, bare(read(t, c2)), "a good frame before the bad one counts")
			require.Eventually(t, func() bool { return s.Stats().Dropped == 1 }, patience, time.Millisecond)
			assert.Contains(t, w.all(), "client-1 drop "+c.reason)
			_, err = io.ReadAll(rude) // a packet of a and the end, whatever comes first
			if err != nil {
				assert.ErrorContains(t, err, "reset")
			}
			f := canbus.New(0x222, 2)
			require.NoError(t, a.Write(&f))
			assert.Equal(t, f, bare(read(t, c2)))
		})
	}
}

func TestAClientLeavesInOrder(t *testing.T) {
	b := newBench(t, 0, 100)
	s, w := b.listen(hub.Options{})
	a, c := b.dial(), b.dial()
	joined(t, s, 2)
	f := canbus.New(0x123, 1)
	require.NoError(t, a.Write(&f))
	require.NoError(t, a.Close())
	assert.Equal(t, f, bare(read(t, c)), "what was written before the end is carried")
	require.Eventually(t, func() bool { return s.Stats().Clients == 1 }, patience, time.Millisecond)
	assert.Contains(t, w.all(), "client-1 leave")
	assert.Zero(t, s.Stats().Dropped)
	require.ErrorIs(t, a.Read(&f), canbus.ErrClosed)
	require.ErrorIs(t, a.Write(&f), canbus.ErrClosed)
	require.NoError(t, a.Close())
}

func TestTheEndOfTheServerEndsItsClients(t *testing.T) {
	before := runtime.NumGoroutine()
	b := newBench(t, 0, 100)
	s, err := hub.Listen(b.path, b.loop, b.bus, hub.Options{})
	require.NoError(t, err)
	b.run()
	a := b.dial()
	joined(t, s, 1)
	errs := make(chan error)
	go func() {
		var f canbus.Frame
		errs <- a.Read(&f)
	}()
	b.do(func() { require.NoError(t, s.Close()) })
	require.ErrorIs(t, <-errs, io.EOF)
	f := canbus.New(1)
	require.ErrorIs(t, a.Write(&f), canbus.ErrClosed)
	require.NoFileExists(t, b.path)
	b.do(func() { require.NoError(t, s.Close(), "a second time") })
	b.end()
	settled(t, before)
}

func TestClosingAfterTheLoopHasEndedLeavesNothing(t *testing.T) {
	before := runtime.NumGoroutine()
	b := newBench(t, 0, 100)
	s, err := hub.Listen(b.path, b.loop, b.bus, hub.Options{})
	require.NoError(t, err)
	b.run()
	a := b.dial()
	joined(t, s, 1)
	b.end()
	late := b.dial() // accepted, but no loop will ever take it
	for i := range 200 {
		f := canbus.New(1, byte(i))
		require.NoError(t, a.Write(&f))
	}
	require.NoError(t, s.Close())
	var f canbus.Frame
	require.ErrorIs(t, late.Read(&f), io.EOF)
	settled(t, before)
}

// refusing is a bus that lets nobody on.
type refusing struct{ canbus.Bus }

func (refusing) Attach(string, canbus.Node) (canbus.Port, error) { return nil, errors.New("full") }

func TestABusThatTakesNobodyIsAReason(t *testing.T) {
	b := newBench(t, 0, 1)
	w := &words{}
	s, err := hub.Listen(b.path, b.loop, refusing{}, hub.Options{OnDrop: func(n, r string) { w.say(n, "drop", r) }})
	require.NoError(t, err)
	b.run()
	c := b.dial()
	var f canbus.Frame
	require.ErrorIs(t, c.Read(&f), io.EOF)
	assert.Equal(t, []string{"client-1 drop the bus does not take it: full"}, w.all())
	b.end()
	require.NoError(t, s.Close())
}

// FuzzClient sends a client's packets, cut out of the input at the lengths that
// it says, and then asks whether the bus still works for everybody else.
func FuzzClient(f *testing.F) {
	for _, k := range kinds {
		f.Add(append([]byte{byte(len(k.AppendRecord(nil)))}, k.AppendRecord(nil)...))
	}
	f.Add([]byte{0})
	f.Add([]byte{3, 1, 2, 3})
	f.Add([]byte(strings.Repeat("\x10\xff\xff\xff\xff\x08abcdefghijk", 20)))
	b := newBench(f, 0, 1<<16)
	s, _ := b.listen(hub.Options{})
	a, c := b.dial(), b.dial()
	joined(f, s, 2)
	go func() { // one that never read would be dropped as slow
		var f canbus.Frame
		for a.Read(&f) == nil {
			continue
		}
	}()
	round := 0
	f.Fuzz(func(t *testing.T, in []byte) {
		rude := b.raw(t)
		for len(in) > 0 {
			n := min(int(in[0]), len(in)-1)
			if _, err := rude.Write(in[1 : 1+n]); err != nil {
				break
			}
			in = in[1+n:]
		}
		require.NoError(t, rude.Close())
		round++
		mark := canbus.NewFD(0x7F0, 0, []byte(fmt.Sprintf("%08d", round))...)
		require.NoError(t, a.Write(&mark))
		for {
			got := read(t, c)
			require.NoError(t, got.Validate())
			if bare(got) == mark {
				return
			}
		}
	})
}

// BenchmarkRoundTrip is a frame from one client to another and back.
func BenchmarkRoundTrip(b *testing.B) {
	bn := newBench(b, 0, 1000)
	s, _ := bn.listen(hub.Options{})
	a, c := bn.dial(), bn.dial()
	joined(b, s, 2)
	go func() {
		var f canbus.Frame
		for c.Read(&f) == nil {
			_ = c.Write(&f)
		}
	}()
	f := canbus.New(0x123, 1, 2, 3, 4, 5, 6, 7, 8)
	b.ReportAllocs()
	for b.Loop() {
		_ = a.Write(&f)
		_ = a.Read(&f)
	}
}

// BenchmarkFanOut is a frame of the loop's to four clients that keep up.
func BenchmarkFanOut(b *testing.B) {
	bn := newBench(b, 0, 1<<20)
	s, w := bn.listen(hub.Options{Queue: 1 << 16})
	const clients = 4
	done := make(chan struct{}, clients)
	for i := range clients {
		c := bn.dial()
		joined(b, s, i+1)
		go func() {
			var f canbus.Frame
			for c.Read(&f) == nil && f.ID != 0x7F0 {
				continue
			}
			done <- struct{}{}
		}()
	}
	l := &listener{}
	port, _ := bn.bus.Attach("local", l)
	f := canbus.New(0x123, 1, 2, 3, 4, 5, 6, 7, 8)
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		if n++; n%64 == 0 { // no more than the queues hold
			bn.do(func() {
				for range 64 {
					_ = port.Send(&f)
				}
			})
		}
	}
	end := canbus.New(0x7F0)
	bn.do(func() { _ = port.Send(&end) })
	for range clients {
		<-done
	}
	if s.Stats().Dropped > 0 {
		b.Fatal(w.all())
	}
}

// A player hands over its frames faster than the bus carries them and ends.
func TestWhatAClientHandedOverStillLeavesWhenItHasGone(t *testing.T) {
	b := newBench(t, 200*time.Microsecond, 4)
	s, w := b.listen(hub.Options{})
	a, c := b.dial(), b.dial()
	joined(t, s, 2)
	other := canbus.New(0x7, 7) // a frame that the leaving client never reads
	require.NoError(t, c.Write(&other))
	const n = 200
	for i := range n {
		f := canbus.New(0x100, byte(i))
		require.NoError(t, a.Write(&f))
	}
	require.NoError(t, a.Close())
	for i := range n {
		require.Equal(t, canbus.New(0x100, byte(i)), bare(read(t, c)), "frame %d; %v", i, w.all())
	}
	assert.Contains(t, w.all(), "client-1 leave")
	assert.Zero(t, s.Stats().Dropped)
}
