package socketcan_test

import (
	"context"
	"net"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.einride.tech/can/pkg/candevice"

	"sawhorse/canbus"
	"sawhorse/canbus/bustest"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/socketcan"
)

// These tests need a kernel with SocketCAN and run in the kernel lane, which has
// vcan0 and vcan1 (mtu 72), and two emulated controllers can0 and
// can1 on one wire. What they check against is the Linux kernel.
func lane(t *testing.T) {
	t.Helper()
	if os.Getenv("SAWHORSE_KERNEL_LANE") != "1" {
		t.Skip("needs SocketCAN: run by the kernel lane (make kernel-lane)")
	}
}

func index(t *testing.T, iface string) int {
	t.Helper()
	i, err := net.InterfaceByName(iface)
	require.NoError(t, err)
	return i.Index
}

func dial(t *testing.T, iface string, opt socketcan.Options) *socketcan.Conn {
	t.Helper()
	c, err := socketcan.Dial(iface, opt)
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close() })
	return c
}

// next reads a frame, or fails the test after a while.
func next(t *testing.T, c *socketcan.Conn) canbus.Frame {
	t.Helper()
	type answer struct {
		f   canbus.Frame
		err error
	}
	got := make(chan answer, 1)
	go func() {
		var a answer
		a.err = c.Read(&a.f)
		got <- a
	}()
	select {
	case a := <-got:
		require.NoError(t, a.err)
		return a.f
	case <-time.After(10 * time.Second):
		require.Fail(t, "no frame came")
		panic("unreachable")
	}
}

var kinds = []canbus.Frame{
	canbus.New(0x123, 1, 2, 3),
	canbus.New(0x7FF),
	canbus.NewExtended(0x18DAF110, 1, 2, 3, 4, 5, 6, 7, 8),
	{ID: 0x321, Flags: canbus.Remote, Len: 4},
	canbus.NewFD(0x55, canbus.BitRateSwitch, make([]byte, 64)...),
	canbus.NewFD(0x1ABCDEF0, canbus.Extended, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12),
}

func TestKernelCarriesEveryKindOfFrame(t *testing.T) {
	lane(t)
	a := dial(t, "vcan0", socketcan.Options{FD: true})
	b := dial(t, "vcan0", socketcan.Options{FD: true})
	begun := time.Duration(time.Now().Add(-time.Second).UnixNano())
	last := begun
	for _, f := range kinds {
		require.NoError(t, a.Write(&f))
		got := next(t, b)
		assert.GreaterOrEqual(t, got.Time, last, "the kernel's receive times do not go back")
		assert.Less(t, got.Time-begun, time.Minute)
		last, got.Time = got.Time, 0
		assert.Equal(t, f, got)
	}
}

func TestKernelFiltersFrames(t *testing.T) {
	lane(t)
	a := dial(t, "vcan0", socketcan.Options{})
	b := dial(t, "vcan0", socketcan.Options{Filters: []socketcan.Filter{
		{Key: 0x7E8, Mask: 0x7F8},
		{Key: canbus.KeyOf(0x18DAF110, true), Mask: canbus.MaxExtendedID},
	}})
	for _, f := range []canbus.Frame{
		canbus.New(0x100), canbus.New(0x7EA, 1), canbus.NewExtended(0x7E8, 2), canbus.NewExtended(0x18DAF110, 3), canbus.New(0x7EF, 4),
	} {
		require.NoError(t, a.Write(&f))
	}
	for _, want := range []byte{1, 3, 4} {
		f := next(t, b)
		assert.Equal(t, want, f.Data[0], "%v", f.String())
	}
}

// contractRig is a fresh wall loop with a bus on a virtual interface.
func contractRig(t *testing.T) bustest.Rig {
	loop, err := clock.NewWall()
	require.NoError(t, err)
	bus, err := socketcan.Open("vcan1", loop, socketcan.Options{FD: true})
	require.NoError(t, err)
	t.Cleanup(func() { _ = bus.Close() })
	return bustest.Rig{Loop: loop, Bus: bus, FD: true, Ordered: true, Limit: 10 * time.Second}
}

func TestKernelBusKeepsTheContract(t *testing.T) {
	lane(t)
	bustest.Run(t, contractRig)
}

// tally counts what a node sees.
type tally struct {
	received, sent []canbus.Frame
	onReceive      func()
	onSent         func()
}

func (n *tally) Receive(f *canbus.Frame) {
	n.received = append(n.received, *f)
	if n.onReceive != nil {
		n.onReceive()
	}
}

func (n *tally) Sent(f *canbus.Frame) {
	n.sent = append(n.sent, *f)
	if n.onSent != nil {
		n.onSent()
	}
}

// Two emulated controllers on one wire, set up through the CAN library's netlink
// code at 500 kbit/s.
func TestKernelControllersExchangeFrames(t *testing.T) {
	lane(t)
	for _, iface := range []string{"can0", "can1"} {
		require.NoError(t, socketcan.SetUp(iface, 500_000))
		d, err := candevice.New(iface)
		require.NoError(t, err)
		rate, err := d.Bitrate()
		require.NoError(t, err)
		require.EqualValues(t, 500_000, rate)
		virtual, err := socketcan.Virtual(iface)
		require.NoError(t, err)
		require.False(t, virtual)
		c, err := socketcan.ControllerOf(iface)
		require.NoError(t, err)
		require.Equal(t, socketcan.Controller{State: "error-active", BitRate: 500_000}, c)
	}
	// The peer answers each frame and the next goes out when its answer is there:
	// the emulation knows no bit time, so a burst would overrun the receiver.
	peer := dial(t, "can1", socketcan.Options{Armed: true})
	go func() {
		var f canbus.Frame
		for peer.Read(&f) == nil {
			f.ID += 8
			if peer.Write(&f) != nil {
				return
			}
		}
	}()
	s := start(t, "can0", socketcan.Options{Armed: true})
	const count = 300
	n := 0
	ping := func() {
		f := canbus.New(0x200, byte(n), byte(n>>8))
		n++
		assert.NoError(t, s.pa.Send(&f))
	}
	s.a.onReceive = func() {
		if n < count {
			ping()
		}
	}
	s.loop.At(0, clock.PriorityTool, ping)
	s.run(t, func() bool { return len(s.a.received) == count })
	c, err := socketcan.ControllerOf("vcan0")
	require.NoError(t, err)
	require.Equal(t, "virtual", c.String())
	require.Len(t, s.a.sent, count, "every frame is confirmed")
	for i, f := range s.a.received {
		require.Equal(t, canbus.New(0x208, byte(i), byte(i>>8)).Data, f.Data, "frame %d", i)
	}
}

// The rule of the house: nothing is sent unasked where copper may be behind.
func TestKernelPhysicalInterfaceMustBeArmed(t *testing.T) {
	lane(t)
	require.NoError(t, socketcan.SetUp("can0", 250_000))
	c := dial(t, "can0", socketcan.Options{})
	f := canbus.New(0x100, 1)
	require.ErrorIs(t, c.Write(&f), socketcan.ErrNotArmed)

	loop, err := clock.NewWall()
	require.NoError(t, err)
	bus, err := socketcan.Open("can0", loop, socketcan.Options{})
	require.NoError(t, err)
	defer bus.Close()
	port, err := bus.Attach("node", &tally{})
	require.NoError(t, err)
	require.ErrorIs(t, port.Send(&f), socketcan.ErrNotArmed)
	virtual, err := socketcan.Virtual("vcan0")
	require.NoError(t, err)
	require.True(t, virtual)
}

// The interface goes down in the middle and comes back: said, counted, survived.
func TestKernelInterfaceDownAndUpIsSurvived(t *testing.T) {
	lane(t)
	d, err := candevice.New("vcan1")
	require.NoError(t, err)
	var said []string
	loop, err := clock.NewWall()
	require.NoError(t, err)
	bus, err := socketcan.Open("vcan1", loop, socketcan.Options{OnState: func(m string) { said = append(said, m) }})
	require.NoError(t, err)
	defer bus.Close()
	n := &tally{}
	port, err := bus.Attach("node", n)
	require.NoError(t, err)
	send := func(b byte) func() {
		return func() {
			f := canbus.New(0x100, b)
			_ = port.Send(&f) // while it is down this may be an error
		}
	}
	up := false
	n.onSent = func() {
		if up {
			loop.Stop()
		}
	}
	loop.At(100*time.Millisecond, clock.PriorityBus, send(1))
	loop.At(300*time.Millisecond, clock.PriorityBus, func() { require.NoError(t, d.SetDown()) })
	loop.At(600*time.Millisecond, clock.PriorityBus, send(2))
	loop.At(900*time.Millisecond, clock.PriorityBus, func() { require.NoError(t, d.SetUp()); up = true })
	var again func()
	again = func() { send(3)(); loop.At(loop.Now()+200*time.Millisecond, clock.PriorityBus, again) }
	loop.At(1200*time.Millisecond, clock.PriorityBus, again)
	require.NoError(t, loop.Run(context.Background(), 20*time.Second))
	require.NotEmpty(t, n.sent)
	require.Equal(t, byte(1), n.sent[0].Data[0])
	require.Equal(t, byte(3), n.sent[len(n.sent)-1].Data[0], "it works again")
	require.NotEmpty(t, said, "the user is told")
}

func TestKernelNamesThatCanNotBe(t *testing.T) {
	lane(t)
	_, err := socketcan.Dial("nope0", socketcan.Options{})
	var e *socketcan.Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, "nope0", e.Iface)
	_, err = socketcan.Dial("lo", socketcan.Options{})
	require.Error(t, err, "not a CAN interface")
}

// The lane runs this one alone, to see that a test that fails in there fails it.
func TestLaneCanary(t *testing.T) {
	lane(t)
	t.Fatal("fails, as it must")
}
