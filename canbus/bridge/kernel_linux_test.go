package bridge_test

import (
	"context"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/bridge"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/socketcan"
)

// Between the kernel's vcan0 and an emulated controller whose wire ends at another:
// frames cross both ways, those that a rule is for are lost, and say so on the tap.
func TestKernelBridgeBetweenVirtualAndEmulated(t *testing.T) {
	if os.Getenv("SAWHORSE_KERNEL_LANE") != "1" {
		t.Skip("needs SocketCAN: run by the kernel lane (make kernel-lane)")
	}
	for _, iface := range []string{"can0", "can1"} {
		require.NoError(t, socketcan.SetUp(iface, 500_000))
	}
	car, err := socketcan.Dial("vcan0", socketcan.Options{})
	require.NoError(t, err)
	defer car.Close()
	tool, err := socketcan.Dial("can1", socketcan.Options{Armed: true})
	require.NoError(t, err)
	defer tool.Close()

	loop, err := clock.NewWall()
	require.NoError(t, err)
	near, err := socketcan.Open("vcan0", loop, socketcan.Options{})
	require.NoError(t, err)
	defer near.Close()
	far, err := socketcan.Open("can0", loop, socketcan.Options{Armed: true})
	require.NoError(t, err)
	defer far.Close()
	altered := alter.Wrap(loop, far)
	_, err = altered.Add(alter.Alteration{Name: "lost", Act: alter.Drop, Match: alter.Match{Every: 4}}, nil)
	require.NoError(t, err)
	b, err := bridge.Join(loop, near, altered, bridge.Options{})
	require.NoError(t, err)

	const n = 200
	got := make(chan []byte, 1)
	go func() { got <- take(tool, n*3/4) }()
	back := make(chan []byte, 1)
	go func() { back <- take(car, n) }()
	go func() {
		for i := range n {
			f := canbus.New(0x100, byte(i))
			_ = car.Write(&f)
			g := canbus.New(0x200, byte(i))
			_ = tool.Write(&g)
			time.Sleep(time.Millisecond) // paces the senders, proves nothing
		}
	}()
	ctx, cancel := context.WithTimeout(context.Background(), 60*time.Second)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- loop.Run(ctx, time.Hour) }()
	forward, backward := <-got, <-back
	// The last confirmation comes after the last frame was read.
	require.NoError(t, loop.Post(func() {
		var look *clock.Timer
		look = loop.NewTimer(clock.PriorityJudge, func() {
			if there, here := b.Stats(); there.Passed >= n && here.Passed >= n {
				loop.Stop()
				return
			}
			look.Set(loop.Now() + time.Millisecond)
		})
		look.Set(loop.Now())
	}))
	if err := <-done; err != nil {
		require.ErrorIs(t, err, context.DeadlineExceeded)
	}
	var want []byte
	for i := range n {
		if i%4 != 3 {
			want = append(want, byte(i))
		}
	}
	require.Equal(t, want, forward)
	require.Len(t, backward, n)
	there, here := b.Stats()
	require.EqualValues(t, n*3/4, there.Passed-there.Lost-uint64(n/4), "the bridge believes that all have left")
	require.EqualValues(t, n, here.Passed)
}

// take reads so many frames and gives their first bytes.
func take(c canbus.Conn, n int) (got []byte) {
	var f canbus.Frame
	for len(got) < n {
		if c.Read(&f) != nil {
			return got
		}
		if f.Has(canbus.Error) {
			continue
		}
		got = append(got, f.Data[0])
	}
	return got
}
