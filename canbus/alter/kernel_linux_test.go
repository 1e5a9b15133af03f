package alter_test

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.einride.tech/can/pkg/candevice"
	"golang.org/x/sys/unix"

	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/replay"
	"sawhorse/canbus/socketcan"
)

// numbered is a recording of frames with three identifiers in turn, one every 5 ms.
type numbered struct{ n, of int }

func (s *numbered) Next(f *canbus.Frame) error {
	if s.n == s.of {
		return io.EOF
	}
	*f = canbus.New([]canbus.ID{0x110, 0x220, 0x330}[s.n%3], byte(s.n), byte(s.n>>8))
	f.Time = time.Duration(s.n) * 5 * ms
	s.n++
	return nil
}

// altering loses every fourth of 110, doubles 220 and falsifies 330.
func altering(t *testing.T, bus *alter.Bus) {
	only := func(id canbus.ID) []replay.Match {
		m, err := replay.ParseMatch(fmt.Sprintf("%03X", id))
		require.NoError(t, err)
		return []replay.Match{m}
	}
	for _, r := range []alter.Alteration{
		{Name: "lost", Act: alter.Drop, Match: alter.Match{IDs: only(0x110), Every: 4}},
		{Name: "twice", Act: alter.Duplicate, Copies: 1, Match: alter.Match{IDs: only(0x220)}},
		{Name: "false", Act: alter.Overwrite, At: 1, Bytes: []byte{0xFF}, Match: alter.Match{IDs: only(0x330)}},
	} {
		_, err := bus.Add(r, nil)
		require.NoError(t, err)
	}
}

// altered is what comes of frame n.
func altered(n int) []string {
	f := fmt.Sprintf("%02X%02X", n&0xFF, n>>8)
	switch {
	case n%3 == 0 && n/3%4 == 3:
		return nil
	case n%3 == 1:
		return []string{"220 " + f, "220 " + f}
	case n%3 == 2:
		return []string{fmt.Sprintf("330 %02XFF", n&0xFF)}
	}
	return []string{"110 " + f}
}

// heard reads from a connection until the frame 7FF.
func heard(c canbus.Conn) (list []string, reports int) {
	var f canbus.Frame
	for c.Read(&f) == nil && f.ID != 0x7FF {
		if f.Has(canbus.Error) {
			reports++
			continue
		}
		list = append(list, fmt.Sprintf("%s %X", f.Key(), f.Payload()))
	}
	return list, reports
}

// A recording with faults, through a virtual interface and from one emulated
// controller to another: who listens there has what the rules say, in order, and a
// report of the controller in the middle is no frame and ends nothing.
func TestKernelReplayWithFaults(t *testing.T) {
	if os.Getenv("SAWHORSE_KERNEL_LANE") != "1" {
		t.Skip("needs SocketCAN: run by the kernel lane (make kernel-lane)")
	}
	for _, iface := range []string{"can0", "can1"} {
		require.NoError(t, socketcan.SetUp(iface, 500_000))
	}
	const count = 300
	for _, c := range []struct{ from, to string }{{"vcan0", "vcan0"}, {"can0", "can1"}} {
		t.Run(c.from, func(t *testing.T) {
			conn, err := socketcan.Dial(c.to, socketcan.Options{ErrorMask: socketcan.AllErrors})
			require.NoError(t, err)
			defer conn.Close()
			loop, err := clock.NewWall()
			require.NoError(t, err)
			iface, err := socketcan.Open(c.from, loop, socketcan.Options{Armed: true})
			require.NoError(t, err)
			defer iface.Close()
			bus := alter.Wrap(loop, iface)
			altering(t, bus)
			r, err := replay.New(loop, []canbus.Bus{bus}, &numbered{of: count}, replay.Options{Finished: func() {
				loop.At(loop.Now()+100*ms, clock.PriorityTool, loop.Stop)
			}})
			require.NoError(t, err)
			r.Start(0)
			if c.from == c.to {
				loop.At(700*ms, clock.PriorityTool, func() {
					report(t, c.from, canbus.Frame{ID: 0x04, Flags: canbus.Error, Len: 8, Data: [64]byte{1: 0x01}})
				})
			}
			var list []string
			var reports int
			done := make(chan struct{})
			go func() { list, reports = heard(conn); close(done) }()
			require.NoError(t, loop.Run(context.Background(), time.Minute))
			require.NoError(t, r.Err())
			mark, err := socketcan.Dial(c.from, socketcan.Options{Armed: true})
			require.NoError(t, err)
			defer mark.Close()
			end := canbus.New(0x7FF)
			require.NoError(t, mark.Write(&end))
			<-done

			var want []string
			for n := range count {
				want = append(want, altered(n)...)
			}
			assert.Equal(t, want, list)
			if c.from == c.to {
				assert.Equal(t, 1, reports)
			}
			s := r.Stats()
			assert.EqualValues(t, count, s.Confirmed, "the sender believes that all have left")
			assert.Zero(t, s.Refused)
			assert.EqualValues(t, count/12, bus.Stats().Dropped)
			t.Logf("late: p50 %v, p99 %v, max %v", s.P50, s.P99, s.Max)
		})
	}
}

// The interface goes down in the middle of a recording with faults and comes back:
// the recording goes on, and each frame has come, been dropped by an alteration, or been
// counted as one that could not be sent.
func TestKernelReplayWithFaultsOutlivesADownInterface(t *testing.T) {
	if os.Getenv("SAWHORSE_KERNEL_LANE") != "1" {
		t.Skip("needs SocketCAN: run by the kernel lane (make kernel-lane)")
	}
	d, err := candevice.New("vcan1")
	require.NoError(t, err)
	conn, err := socketcan.Dial("vcan1", socketcan.Options{})
	require.NoError(t, err)
	defer conn.Close()
	loop, err := clock.NewWall()
	require.NoError(t, err)
	iface, err := socketcan.Open("vcan1", loop, socketcan.Options{})
	require.NoError(t, err)
	defer iface.Close()
	bus := alter.Wrap(loop, iface)
	altering(t, bus)
	const count = 600
	r, err := replay.New(loop, []canbus.Bus{bus}, &numbered{of: count}, replay.Options{Finished: func() {
		loop.At(loop.Now()+100*ms, clock.PriorityTool, loop.Stop)
	}})
	require.NoError(t, err)
	r.Start(0)
	loop.At(1*time.Second, clock.PriorityTool, func() { assert.NoError(t, d.SetDown()) })
	loop.At(1500*ms, clock.PriorityTool, func() { assert.NoError(t, d.SetUp()) })
	var list []string
	done := make(chan struct{})
	go func() { list, _ = heard(conn); close(done) }()
	require.NoError(t, loop.Run(context.Background(), time.Minute))
	require.ErrorIs(t, r.Err(), canbus.ErrBusOff, "the first refusal is told")
	require.True(t, r.Done())
	end := canbus.New(0x7FF)
	mark, err := socketcan.Dial("vcan1", socketcan.Options{})
	require.NoError(t, err)
	defer mark.Close()
	require.NoError(t, mark.Write(&end))
	<-done

	s, b := r.Stats(), bus.Stats()
	var want []string
	for n := range count {
		want = append(want, altered(n)...)
	}
	assert.Less(t, len(list), len(want), "some could not be sent")
	assert.Greater(t, len(list), len(want)/2)
	assert.Equal(t, want[len(want)-1], list[len(list)-1], "the recording went on")
	missing := len(want) - len(list)
	counted := int(s.Refused) + int(b.Lost) + int(iface.Stats().Refused) + int(iface.Stats().Unconfirmed)
	t.Logf("missing %d; replay %+v; rules %+v; interface %+v", missing, s, b, iface.Stats())
	assert.GreaterOrEqual(t, counted, missing, "none is lost in silence")
}

// report puts a controller's error report on a virtual interface, as a driver would.
func report(t *testing.T, iface string, f canbus.Frame) {
	i, err := net.InterfaceByName(iface)
	require.NoError(t, err)
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	require.NoError(t, err)
	defer func() { _ = unix.Close(fd) }()
	require.NoError(t, unix.Bind(fd, &unix.SockaddrCAN{Ifindex: i.Index}))
	_, err = unix.Write(fd, f.AppendRecord(nil))
	require.NoError(t, err)
}
