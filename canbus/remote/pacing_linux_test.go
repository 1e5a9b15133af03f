package remote_test

import (
	"context"
	"io"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/remote"
	"sawhorse/canbus/replay"
)

// What pacing costs over a bare loop that does the same system calls: frames leave
// through a socket every millisecond, by a replay on the event loop and by a loop that
// knows nothing but its deadlines, in turn. The figures are how late the write begins.
func BenchmarkPacing(b *testing.B) {
	const frames = 200
	quantile := func(d []time.Duration, q float64) float64 {
		slices.Sort(d)
		return float64(d[int(q*float64(len(d)-1))]) / 1e3
	}
	var ours, bare [2][]float64 // medians and 99th percentiles, in us, a round each
	for b.Loop() {
		o, r := paced(b, frames), unpaced(b, frames)
		for k, q := range []float64{0.5, 0.99} {
			ours[k] = append(ours[k], quantile(o, q))
			bare[k] = append(bare[k], quantile(r, q))
		}
	}
	// Rounds that the neighbours altered count no more than others: medians of rounds.
	middle := func(v []float64) float64 { slices.Sort(v); return v[len(v)/2] }
	b.ReportMetric(middle(ours[0]), "p50-us")
	b.ReportMetric(middle(bare[0]), "bare-p50-us")
	b.ReportMetric(middle(ours[1]), "p99-us")
	b.ReportMetric(middle(bare[1]), "bare-p99-us")
	b.ReportMetric(0, "ns/op")
}

// pair is a socket with somebody reading at the other end.
func pair(b testing.TB) int {
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_SEQPACKET|unix.SOCK_CLOEXEC, 0)
	require.NoError(b, err)
	go func() {
		buf := make([]byte, 128)
		for {
			n, err := unix.Read(fds[1], buf)
			if n <= 0 && err != unix.EINTR {
				_ = unix.Close(fds[1])
				return
			}
		}
	}()
	return fds[0]
}

// fdConn writes records to a descriptor.
type fdConn struct {
	fd     int
	closed chan struct{}
}

func (c *fdConn) Read(*canbus.Frame) error { <-c.closed; return io.EOF }
func (c *fdConn) Write(f *canbus.Frame) error {
	var buf [canbus.RecordSizeFD]byte
	_, err := unix.Write(c.fd, f.AppendRecord(buf[:0]))
	return err
}
func (c *fdConn) Close() error { return nil }

// steady is a recording with a frame each millisecond.
type steady struct{ n, left int }

func (s *steady) Next(f *canbus.Frame) error {
	if s.left == 0 {
		return io.EOF
	}
	s.left--
	*f = canbus.New(0x100, 1, 2, 3, 4, 5, 6, 7, 8)
	f.Time = time.Duration(s.n-s.left) * time.Millisecond
	return nil
}

func paced(b testing.TB, n int) (late []time.Duration) {
	loop, err := clock.NewWall()
	require.NoError(b, err)
	c := &fdConn{pair(b), make(chan struct{})}
	defer func() { close(c.closed); _ = unix.Close(c.fd) }()
	bus := remote.New(context.Background(), loop, c, nil)
	r, err := replay.New(loop, []canbus.Bus{bus}, &steady{n, n}, replay.Options{
		Late: func(d time.Duration) { late = append(late, d) }, Finished: loop.Stop,
	})
	require.NoError(b, err)
	r.Start(time.Millisecond)
	require.NoError(b, loop.Run(context.Background(), time.Minute))
	return late
}

func unpaced(b testing.TB, n int) (late []time.Duration) {
	fd := pair(b)
	defer unix.Close(fd)
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	_ = unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0)
	f := canbus.New(0x100, 1, 2, 3, 4, 5, 6, 7, 8)
	var buf [canbus.RecordSizeFD]byte
	begin := time.Now()
	for i := range n {
		due := time.Duration(i+1) * time.Millisecond
		if left := due - time.Since(begin) - clock.DefaultSpin; left > 0 {
			ts := unix.NsecToTimespec(int64(left))
			_, _ = unix.Ppoll(nil, &ts, nil)
		}
		for time.Since(begin) < due {
		}
		late = append(late, time.Since(begin)-due)
		_, err := unix.Write(fd, f.AppendRecord(buf[:0]))
		require.NoError(b, err)
	}
	return late
}
