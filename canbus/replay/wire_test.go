package replay_test

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/replay"
	"sawhorse/canbus/wire"
)

// A. Gazdag, Sz. Lestyan, M. Remeli, G. Acs, T. Holczer, G. Biczok: "Privacy
// pitfalls of releasing in-vehicle network data", Vehicular Communications 39
// (2023) 100565, sample trace 1: frames by identifier, 36712 in all, over
// 62.380166 s.
var driveFrames = map[canbus.Key]int{
	0x110: 6127, 0x120: 6127, 0x140: 6124, 0x180: 6119, 0x1A0: 1226, 0x280: 6123, 0x290: 612, 0x295: 65, 0x300: 805,
	0x301: 613, 0x380: 613, 0x381: 614, 0x383: 614, 0x410: 613, 0x440: 61, 0x4A0: 61, 0x510: 134, 0x531: 61,
}

const driveLength = 62380166 * time.Microsecond

func openDrive(t testing.TB) *capture.Reader {
	dir := os.Getenv("SAWHORSE_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	r, err := capture.Open(filepath.Join(dir, "drive-1.pcap.gz"))
	if os.IsNotExist(err) {
		if os.Getenv("CI") != "" {
			t.Fatalf("the recorded drive is not there: %v", err)
		}
		t.Skipf("the recorded drive is not there (SAWHORSE_CAPTURES): %v", err)
	}
	require.NoError(t, err)
	t.Cleanup(func() { _ = r.Close() })
	return r
}

// listener hears frames as any node does, and compares them with the recording
// as they come.
type listener struct {
	t      testing.TB
	want   *capture.Reader
	n      int
	count  map[canbus.Key]int
	begin  time.Duration // loop time of the recording's first frame
	first  time.Duration // recording time of it
	late   time.Duration // most that a frame ended after its moment
	failed bool
}

func listen(t testing.TB, bus canbus.Bus) *listener {
	l := &listener{t: t, want: openDrive(t), count: map[canbus.Key]int{}, begin: 10 * ms}
	_, err := bus.Attach("listener", l)
	require.NoError(t, err)
	return l
}

func (l *listener) Sent(*canbus.Frame) {}

func (l *listener) Receive(f *canbus.Frame) {
	var w canbus.Frame
	if err := l.want.Next(&w); err != nil {
		l.t.Errorf("frame %d is one too many: %v", l.n+1, err)
		return
	}
	if l.n == 0 {
		l.first = w.Time
	}
	l.n++
	l.count[f.Key()]++
	moment := l.begin + w.Time - l.first
	if f.Time < moment && !l.failed {
		l.failed = true
		l.t.Errorf("frame %d ends at %v, before its moment %v", l.n, f.Time, moment)
	}
	l.late = max(l.late, f.Time-moment)
	w.Time, w.Bus = f.Time, f.Bus
	if w != *f && !l.failed {
		l.failed = true
		l.t.Errorf("frame %d is %v, want %v", l.n, f, &w)
	}
}

// The recorded drive through the embedded bus in virtual time: every frame, in
// its order, byte for byte, and on time as far as a 500 kbit/s wire allows.
func TestDriveOnTheWire(t *testing.T) {
	loop := clock.NewVirtual()
	bus, err := wire.New(loop, "drive", wire.Config{})
	require.NoError(t, err)
	l := listen(t, bus)
	var end time.Duration
	r, err := replay.New(loop, []canbus.Bus{bus}, openDrive(t), replay.Options{Finished: func() { end = loop.Now() }})
	require.NoError(t, err)
	r.Start(10 * ms)
	require.NoError(t, loop.Run(context.Background(), time.Hour))
	assert.Equal(t, 36712, l.n)
	assert.Equal(t, driveFrames, l.count)
	assert.True(t, r.Done())
	require.NoError(t, r.Err())
	s := r.Stats()
	assert.EqualValues(t, 36712, s.Sent)
	assert.EqualValues(t, 36712, s.Confirmed)
	assert.Zero(t, s.Refused+s.Full+s.LeftOut+s.StepsBack)
	// The recording came off a real wire of 500 kbit/s, where 18 identifiers
	// cannot queue for longer than 18 worst-case frames of 135 bits and their gap
	// (ISO 11898-1:2015: 8 bytes, 11 bits of identifier).
	assert.Greater(t, end, 10*ms+driveLength)
	assert.Less(t, end, 10*ms+driveLength+18*138*2*us)
	assert.Less(t, l.late, 18*138*2*us)
	assert.Less(t, s.Max, 18*138*2*us)
	t.Logf("late: p50 %v, p99 %v, max %v", s.P50, s.P99, s.Max)
}

// Five seconds of it in wall time, five times as fast, on a bus that can: count, order
// and bytes are the recording's.
func TestDriveInWallTime(t *testing.T) {
	loop, err := clock.NewWall()
	require.NoError(t, err)
	bus, err := wire.New(loop, "drive", wire.Config{BitRate: 1_000_000})
	require.NoError(t, err)
	l := listen(t, bus)
	r, err := replay.New(loop, []canbus.Bus{bus}, openDrive(t), replay.Options{Speed: 5, To: 5 * time.Second, Finished: loop.Stop})
	require.NoError(t, err)
	l.begin = -time.Hour // the moments are others at this speed
	r.Start(10 * ms)
	require.NoError(t, loop.Run(context.Background(), time.Minute))
	require.NoError(t, r.Err())
	s := r.Stats()
	assert.EqualValues(t, l.n, s.Confirmed)
	assert.Equal(t, framesBefore(t, 5*time.Second), l.n)
	assert.NotZero(t, s.Max, "a wall clock is never quite on time")
	t.Logf("late: p50 %v, p99 %v, max %v", s.P50, s.P99, s.Max)
}

func framesBefore(t *testing.T, end time.Duration) (n int) {
	src := openDrive(t)
	var f canbus.Frame
	var first time.Duration
	for {
		if err := src.Next(&f); err == io.EOF {
			return n
		} else {
			require.NoError(t, err)
		}
		if n == 0 {
			first = f.Time
		}
		if f.Time-first >= end {
			return n
		}
		n++
	}
}

// As fast as the wire takes, forwards and again: two passes, nothing lost,
// order kept although lower identifiers win arbitration.
func TestDriveTwiceAtFullSpeed(t *testing.T) {
	loop := clock.NewVirtual()
	bus, err := wire.New(loop, "drive", wire.Config{Queue: 1})
	require.NoError(t, err)
	first, second := listen(t, bus), openDrive(t)
	first.begin = -24 * time.Hour
	src := openDrive(t)
	r, err := replay.New(loop, []canbus.Bus{bus}, src, replay.Options{Speed: inf, Loop: 2})
	require.NoError(t, err)
	bus.Tap(func(s canbus.Sighting) {
		if first.n == 36712 && first.want != second {
			first.want, first.n = second, 0
		}
	})
	r.Start(0)
	require.NoError(t, loop.Run(context.Background(), time.Hour))
	require.NoError(t, r.Err())
	assert.EqualValues(t, 2*36712, r.Stats().Confirmed)
	for k, n := range driveFrames {
		assert.Equal(t, 2*n, first.count[k])
	}
	assert.Greater(t, bus.Stats().Busy, 12*time.Second, "the wire was the limit")
}

// endless is a recording without end, made up as it goes.
type endless struct{ n int }

func (e *endless) Next(f *canbus.Frame) error {
	f.Time = time.Duration(e.n) * 300 * us
	f.ID, f.Len = canbus.ID(e.n%0x600), 8
	f.Data[0] = byte(e.n)
	e.n++
	return nil
}

// From the recording to the bus no frame costs an allocation.
func TestNoAllocations(t *testing.T) {
	loop := clock.NewVirtual()
	b := &counter{loop: loop, span: 200 * us}
	r, err := replay.New(loop, []canbus.Bus{b}, &endless{}, replay.Options{
		Skip: []replay.Match{replay.Range(0x100, 0x10F)}, Remap: map[canbus.Key]canbus.Key{1: 2}, BusMap: map[uint8]int{0: 0},
	})
	require.NoError(t, err)
	r.Start(0)
	before := mallocs()
	require.NoError(t, loop.Run(context.Background(), 20*time.Second))
	assert.Greater(t, b.n, 60_000)
	assert.Less(t, mallocs()-before, uint64(b.n/100), "the queue grows at first, and no more")
}

func BenchmarkReplay(b *testing.B) {
	for _, speed := range []float64{1, inf} {
		name := "recorded speed"
		if speed == inf {
			name = "as fast as the bus"
		}
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			loop := clock.NewVirtual()
			bus := &counter{loop: loop, span: 200 * us, until: b.N}
			r, err := replay.New(loop, []canbus.Bus{bus}, &endless{}, replay.Options{Speed: speed, Skip: []replay.Match{replay.Range(0x7E0, 0x7EF)}})
			require.NoError(b, err)
			r.Start(0)
			b.ResetTimer()
			require.NoError(b, loop.Run(context.Background(), 1<<62))
			b.StopTimer()
			b.ReportMetric(float64(bus.n)/b.Elapsed().Seconds(), "frames/s")
		})
	}
}
