package replay_test

import (
	"context"
	"errors"
	"io"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/replay"
	"sawhorse/canbus/socketcan"
)

// The recorded drive through the kernel's vcan, twenty times as fast: another
// process's view has the file's frames, all of them, in its order.
func TestKernelCarriesTheDrive(t *testing.T) {
	if os.Getenv("SAWHORSE_KERNEL_LANE") != "1" {
		t.Skip("needs SocketCAN: run by the kernel lane (make kernel-lane)")
	}
	src, want := openDrive(t), openDrive(t)
	conn, err := socketcan.Dial("vcan0", socketcan.Options{})
	require.NoError(t, err)
	loop, err := clock.NewWall()
	require.NoError(t, err)
	bus, err := socketcan.Open("vcan0", loop, socketcan.Options{})
	require.NoError(t, err)
	defer bus.Close()

	read := make(chan error, 1)
	go func() { read <- compare(conn, want) }()
	r, err := replay.New(loop, []canbus.Bus{bus}, src, replay.Options{Speed: 20, Finished: loop.Stop})
	require.NoError(t, err)
	r.Start(10 * ms)
	require.NoError(t, loop.Run(context.Background(), 2*time.Minute))
	require.NoError(t, r.Err())
	s := r.Stats()
	assert.EqualValues(t, 36712, s.Confirmed)
	assert.Zero(t, s.Refused+s.LeftOut)
	require.NoError(t, <-read, "lost by the kernel: %d", conn.Lost())
	t.Logf("late: p50 %v, p99 %v, max %v", s.P50, s.P99, s.Max)
}

// compare reads as many frames as the file has and holds each against it.
func compare(conn canbus.Conn, want replay.Source) error {
	defer conn.Close()
	var f, w canbus.Frame
	for n := 1; ; n++ {
		err := want.Next(&w)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err == nil {
			err = conn.Read(&f)
		}
		if err != nil {
			return err
		}
		f.Time, w.Time, w.Bus = 0, 0, 0
		if f != w {
			return errors.New("frame " + f.String() + " came where " + w.String() + " was wanted")
		}
	}
}
