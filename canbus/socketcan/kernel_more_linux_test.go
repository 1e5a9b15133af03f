package socketcan_test

import (
	"context"
	"io"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.einride.tech/can/pkg/candevice"
	"golang.org/x/sys/unix"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/hub"
	"sawhorse/canbus/socketcan"
)

// ip runs the lane's own ip command.
func ip(t *testing.T, args ...string) {
	t.Helper()
	out, err := exec.Command("ip", args...).CombinedOutput()
	require.NoError(t, err, "ip %v: %s", args, out)
}

// inject sends a frame past all checks, an error report even: a virtual
// interface gives it to everybody who listens to its class.
func inject(t *testing.T, iface string, f canbus.Frame) {
	t.Helper()
	d, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	require.NoError(t, err)
	defer func() { _ = unix.Close(d) }()
	require.NoError(t, unix.Bind(d, &unix.SockaddrCAN{Ifindex: index(t, iface)}))
	_, err = unix.Write(d, f.AppendRecord(nil))
	require.NoError(t, err)
}

// started is a wall loop with a bus of two nodes, run by the test.
type started struct {
	loop     *clock.Loop
	bus      *socketcan.Bus
	a, b     *tally
	pa, pb   canbus.Port
	mu       sync.Mutex
	messages []string
}

func start(t *testing.T, iface string, opt socketcan.Options) *started {
	t.Helper()
	s := &started{a: &tally{}, b: &tally{}}
	var err error
	s.loop, err = clock.NewWall()
	require.NoError(t, err)
	opt.OnState = s.say
	s.bus, err = socketcan.Open(iface, s.loop, opt)
	require.NoError(t, err)
	t.Cleanup(func() { _ = s.bus.Close() })
	s.pa, err = s.bus.Attach("a", s.a)
	require.NoError(t, err)
	s.pb, err = s.bus.Attach("b", s.b)
	require.NoError(t, err)
	return s
}

func (s *started) say(m string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.messages = append(s.messages, m)
}

func (s *started) said() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.messages...)
}

// run runs the loop until done, asked every millisecond, and fails after a while.
func (s *started) run(t *testing.T, done func() bool) {
	t.Helper()
	var tm *clock.Timer
	ended := false
	tm = s.loop.NewTimer(clock.PriorityJudge, func() {
		if ended = done(); ended {
			s.loop.Stop()
			return
		}
		tm.Set(s.loop.Now() + time.Millisecond)
	})
	tm.Set(0)
	require.NoError(t, s.loop.Run(context.Background(), 30*time.Second))
	require.True(t, ended, "what was waited for never came; said %q", s.said())
}

func TestKernelConfirmsToTheSenderOnly(t *testing.T) {
	lane(t)
	outside := dial(t, "vcan0", socketcan.Options{})
	s := start(t, "vcan0", socketcan.Options{})
	var senders []string
	s.bus.Tap(func(x canbus.Sighting) { senders = append(senders, x.Sender) })
	theirs := canbus.New(0x7E0, 3)
	s.loop.At(0, clock.PriorityTool, func() {
		f, g := canbus.New(0x100, 1), canbus.New(0x200, 2)
		assert.NoError(t, s.pa.Send(&f))
		assert.NoError(t, s.pb.Send(&g))
	})
	s.loop.At(50*time.Millisecond, clock.PriorityTool, func() { assert.NoError(t, outside.Write(&theirs)) })
	s.run(t, func() bool { return len(s.a.received) == 2 && len(s.b.received) == 2 })
	assert.Equal(t, []string{"a", "b", ""}, senders)
	assert.Equal(t, canbus.ID(0x100), s.a.sent[0].ID)
	assert.Equal(t, canbus.ID(0x200), s.b.sent[0].ID)
	assert.Len(t, s.a.sent, 1)
	assert.Len(t, s.b.sent, 1)
	assert.Equal(t, canbus.ID(0x100), s.b.received[0].ID)
	assert.Equal(t, canbus.ID(0x7E0), s.b.received[1].ID)
	assert.GreaterOrEqual(t, s.b.received[1].Time, 50*time.Millisecond, "kernel time, counted from the start of the run")
	assert.LessOrEqual(t, s.b.received[1].Time, s.loop.Now())
	assert.Equal(t, theirs.ID, s.a.received[1].ID)
	assert.Equal(t, canbus.ID(0x100), next(t, outside).ID)
	assert.Equal(t, canbus.ID(0x200), next(t, outside).ID)
}

func TestKernelCarriesFramesBetweenTheEndsOfAPair(t *testing.T) {
	lane(t)
	for _, iface := range []string{"vxleft", "vxcan0"} {
		virtual, err := socketcan.Virtual(iface)
		require.NoError(t, err)
		require.True(t, virtual, iface)
	}
	a := dial(t, "vxleft", socketcan.Options{FD: true})
	b := dial(t, "vxcan0", socketcan.Options{FD: true})
	for _, f := range kinds {
		require.NoError(t, a.Write(&f))
		got := next(t, b)
		got.Time = 0
		assert.Equal(t, f, got)
		require.NoError(t, b.Write(&f))
		got = next(t, a)
		got.Time = 0
		assert.Equal(t, f, got)
	}
}

// Classes of error reports are those of Linux UAPI can/error.h: 0x04 problems of
// the controller, 0x40 bus-off, 0x100 restarted.
func TestKernelDeliversTheReportsAskedFor(t *testing.T) {
	lane(t)
	none := dial(t, "vcan0", socketcan.Options{})
	some := dial(t, "vcan0", socketcan.Options{ErrorMask: 0x40})
	all := dial(t, "vcan0", socketcan.Options{ErrorMask: socketcan.AllErrors})
	passive := canbus.Frame{ID: 0x04, Flags: canbus.Error, Len: 8, Data: [64]byte{1: 0x30}}
	off := canbus.Frame{ID: 0x40, Flags: canbus.Error, Len: 8}
	mark := canbus.New(0x111)
	for _, f := range []canbus.Frame{passive, off, mark} {
		inject(t, "vcan0", f)
	}
	for c, want := range map[*socketcan.Conn][]canbus.Frame{
		none: {mark}, some: {off, mark}, all: {passive, off, mark},
	} {
		for _, w := range want {
			got := next(t, c)
			got.Time = 0
			assert.Equal(t, w, got)
		}
	}
}

func TestKernelReportsOfBusOffStopTheBusUntilRestarted(t *testing.T) {
	lane(t)
	s := start(t, "vcan0", socketcan.Options{})
	step := 0
	s.loop.At(0, clock.PriorityTool, func() {
		inject(t, "vcan0", canbus.Frame{ID: 0x40, Flags: canbus.Error, Len: 8})
	})
	s.run(t, func() bool {
		f := canbus.New(0x100)
		switch {
		case step == 0 && len(s.said()) == 1:
			assert.ErrorIs(t, s.pa.Send(&f), canbus.ErrBusOff)
			inject(t, "vcan0", canbus.Frame{ID: 0x100, Flags: canbus.Error, Len: 8})
			step = 1
		case step == 1 && len(s.said()) == 2:
			assert.NoError(t, s.pa.Send(&f))
			step = 2
		}
		return len(s.a.sent) == 1
	})
	assert.Equal(t, []string{
		"can:vcan0: the controller is bus-off; it takes part again when restarted",
		"can:vcan0: the controller is back on the bus",
	}, s.said())
}

// A burst leaves whole and in order. The emulated receiver, to which frames come
// faster than any wire brings them, loses some and says so: a report of a real
// driver (can/error.h: class 0x04, receive overflow 0x01 in data[1]).
func TestKernelBurstThroughControllers(t *testing.T) {
	lane(t)
	require.NoError(t, socketcan.SetUp("can0", 500_000))
	require.NoError(t, socketcan.SetUp("can1", 500_000))
	ip(t, "link", "set", "can0", "qlen", "1")
	defer ip(t, "link", "set", "can0", "qlen", "10")
	peer := dial(t, "can1", socketcan.Options{ErrorMask: socketcan.AllErrors})
	s := start(t, "can0", socketcan.Options{Armed: true, Queue: 2000})
	const count = 1000
	s.loop.At(0, clock.PriorityTool, func() {
		for i := range count {
			f := canbus.New(0x123, byte(i), byte(i>>8))
			assert.NoError(t, s.pa.Send(&f))
		}
	})
	s.run(t, func() bool { return len(s.a.sent) == count })
	for i, f := range s.a.sent {
		require.Equal(t, i, int(f.Data[0])|int(f.Data[1])<<8)
	}
	st := s.bus.Stats()
	assert.Zero(t, st.Refused+st.Unconfirmed+st.Lost)

	c := dial(t, "can0", socketcan.Options{Armed: true})
	end := canbus.New(0x7FF)
	require.NoError(t, c.Write(&end))
	last, got, overflows := -1, 0, 0
	for {
		f := next(t, peer)
		if f.Has(canbus.Error) {
			if f.ID&0x04 != 0 && f.Data[1]&0x01 != 0 {
				overflows++
			}
			continue
		}
		if f.ID == end.ID {
			break
		}
		i := int(f.Data[0]) | int(f.Data[1])<<8
		require.Greater(t, i, last, "in order, none twice")
		last = i
		got++
	}
	assert.Equal(t, got < count, overflows > 0, "%d of %d came, %d reports", got, count, overflows)
	t.Logf("%d of %d came, %d overflow reports; send queue found full %d times", got, count, overflows, st.Full)
}

// What a connection does not read in time the kernel drops; the number is known.
func TestKernelDropsAreCounted(t *testing.T) {
	lane(t)
	w := dial(t, "vcan0", socketcan.Options{})
	r := dial(t, "vcan0", socketcan.Options{})
	const count = 30_000
	f := canbus.New(0x100, 1, 2, 3, 4, 5, 6, 7, 8)
	for range count {
		require.NoError(t, w.Write(&f))
	}
	got := 0
	mark := canbus.New(0x7FF)
	for next(t, r).ID != mark.ID {
		// The mark must not be dropped too, so it comes when there is room.
		if got++; got == 1000 {
			require.NoError(t, w.Write(&mark))
		}
	}
	assert.NotZero(t, r.Lost())
	assert.EqualValues(t, count, got+int(r.Lost()))
	t.Logf("%d read, %d dropped", got, r.Lost())
}

func TestKernelConnectionOutlivesADownInterface(t *testing.T) {
	lane(t)
	d, err := candevice.New("vcan1")
	require.NoError(t, err)
	said := make(chan string, 10)
	c := dial(t, "vcan1", socketcan.Options{OnState: func(m string) { said <- m }})
	frames := make(chan canbus.Frame, 1)
	go func() {
		var f canbus.Frame
		if c.Read(&f) == nil {
			frames <- f
		}
	}()
	require.NoError(t, d.SetDown())
	assert.Equal(t, "can:vcan1: the interface is down", <-said)
	f := canbus.New(0x100, 1)
	require.ErrorIs(t, c.Write(&f), socketcan.ErrDown)
	_, err = socketcan.Dial("vcan1", socketcan.Options{})
	require.ErrorIs(t, err, socketcan.ErrDown)
	require.EqualError(t, err, "can:vcan1: open: the interface is down: set its bit rate and bring it up first")
	require.NoError(t, d.SetUp())
	require.NoError(t, c.Write(&f))
	require.NoError(t, dial(t, "vcan1", socketcan.Options{}).Write(&f))
	assert.Equal(t, f.Data, (<-frames).Data)
	assert.Equal(t, "can:vcan1: the interface is up again", <-said)
}

func TestKernelInterfaceThatVanishes(t *testing.T) {
	lane(t)
	ip(t, "link", "add", "dev", "vgone", "type", "vcan")
	require.NoError(t, socketcan.SetUp("vgone", 0))
	said := make(chan string, 10)
	c := dial(t, "vgone", socketcan.Options{OnState: func(m string) { said <- m }})
	s := start(t, "vgone", socketcan.Options{})
	read := make(chan error, 1)
	go func() {
		for {
			var f canbus.Frame
			if err := c.Read(&f); err != nil {
				read <- err
				return
			}
		}
	}()
	s.loop.At(0, clock.PriorityTool, func() { ip(t, "link", "del", "vgone") })
	s.run(t, func() bool { return slices.Contains(s.said(), "can:vgone: the interface has gone") })
	f := canbus.New(0x100)
	err := s.pa.Send(&f)
	require.ErrorIs(t, err, canbus.ErrBusOff)
	require.ErrorIs(t, err, socketcan.ErrGone)
	require.ErrorIs(t, <-read, io.EOF)
	var last string
	for len(said) > 0 {
		last = <-said
	}
	assert.Equal(t, "can:vgone: the interface has gone", last)
	require.Error(t, c.Write(&f))
}

func TestKernelReadAndWriteEndWithClose(t *testing.T) {
	lane(t)
	c := dial(t, "vcan0", socketcan.Options{})
	read := make(chan error, 1)
	go func() {
		var f canbus.Frame
		read <- c.Read(&f)
	}()
	time.Sleep(10 * time.Millisecond) // most often it waits in the kernel by then
	require.NoError(t, c.Close())
	require.ErrorIs(t, <-read, canbus.ErrClosed)
	f := canbus.New(0x100)
	require.ErrorIs(t, c.Write(&f), canbus.ErrClosed)
	require.NoError(t, c.Close())
}

// A classical interface: frames of CAN FD are refused before the kernel sees them.
func TestKernelClassicalInterfaceRefusesFD(t *testing.T) {
	lane(t)
	ip(t, "link", "add", "dev", "vclassic", "type", "vcan")
	defer ip(t, "link", "del", "vclassic")
	ip(t, "link", "set", "vclassic", "mtu", "16")
	require.NoError(t, socketcan.SetUp("vclassic", 0))
	c := dial(t, "vclassic", socketcan.Options{FD: true})
	f := canbus.NewFD(0x100, 0, 1)
	require.ErrorIs(t, c.Write(&f), canbus.ErrFrame)
	s := start(t, "vclassic", socketcan.Options{FD: true})
	require.ErrorIs(t, s.pa.Send(&f), canbus.ErrFrame)
}

// A client of the hub reaches an interface through the bench, and back.
func TestKernelInterfaceBehindTheHub(t *testing.T) {
	lane(t)
	s := start(t, "vcan1", socketcan.Options{FD: true})
	path := filepath.Join(t.TempDir(), "bus")
	server, err := hub.Listen(path, s.loop, s.bus, hub.Options{})
	require.NoError(t, err)
	defer func() { assert.NoError(t, server.Close()) }()
	outside := dial(t, "vcan1", socketcan.Options{FD: true})
	client, err := hub.Dial(path)
	require.NoError(t, err)
	defer client.Close()
	done := make(chan error, 1)
	go func() {
		for _, f := range kinds { // each goes there and comes back
			if err := client.Write(&f); err != nil {
				done <- err
				return
			}
			var got canbus.Frame
			if err := outside.Read(&got); err != nil {
				done <- err
				return
			}
			if err := outside.Write(&got); err != nil {
				done <- err
				return
			}
			if err := client.Read(&got); err != nil {
				done <- err
				return
			}
			if got.Time = 0; got != f {
				assert.Equal(t, f, got)
			}
		}
		done <- nil
	}()
	ended := false
	s.run(t, func() bool {
		select {
		case err = <-done:
			ended = true
		default:
		}
		return ended
	})
	require.NoError(t, err)
	assert.Len(t, s.a.received, 2*len(kinds))
}
