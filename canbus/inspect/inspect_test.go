package inspect_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/inspect"
)

// The published recording of a real drive (Gazdag et al., Vehicular Communications
// 39 (2023) 100565, sample trace 1) and what its own description says of it.
func TestTheRealDriveIsWhatItsDescriptionSays(t *testing.T) {
	dir := os.Getenv("SAWHORSE_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	r, err := capture.Open(filepath.Join(dir, "drive-1.pcap.gz"))
	if errors.Is(err, os.ErrNotExist) {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skipf("the recorded drive is not there (SAWHORSE_CAPTURES): %v", err)
	}
	require.NoError(t, err)
	defer r.Close()
	n := inspect.New(inspect.Options{})
	var f canbus.Frame
	for {
		if err := r.Next(&f); errors.Is(err, io.EOF) {
			break
		}
		n.See(&f)
	}
	rep := n.Report()
	require.Equal(t, 36712, rep.Frames)
	require.Equal(t, 62380166*time.Microsecond, rep.Length)
	require.Len(t, rep.IDs, 18)
	require.Zero(t, rep.Backwards)
	require.Empty(t, rep.Errors)
	// Gaps over 20 ms: 897.2 ms at +4.990 s, 263.2 ms at +31.953 s.
	var long []inspect.Gap
	for _, g := range rep.Gaps {
		if g.Length > 100*time.Millisecond {
			long = append(long, g)
		}
	}
	require.Len(t, long, 2)
	require.InDelta(t, 897.194, long[0].Length.Seconds()*1e3, 0.001)
	require.InDelta(t, 4.990, long[0].At.Seconds(), 0.001)
	for _, want := range []struct {
		id                                 string
		frames                             int
		mean, median, low, high, deviation float64
	}{
		{"110", 6127, 10.182, 9.960, 9.070, 899.531, 11.843},
		{"1A0", 1226, 50.910, 49.973, 49.179, 949.406, 26.657},
		{"300", 805, 77.493, 80.194, 18.825, 939.359, 41.050},
		{"531", 61, 1016.689, 1000.022, 999.560, 1999.270, 127.921},
	} {
		for _, id := range rep.IDs {
			if id.Name != want.id {
				continue
			}
			require.Equal(t, want.frames, id.Frames)
			require.InDelta(t, want.mean, id.Mean, 0.001, want.id)
			require.InDelta(t, want.median, id.Median, 0.1, want.id)
			require.InDelta(t, want.low, id.Min, 0.001, want.id)
			require.InDelta(t, want.high, id.Max, 0.001, want.id)
			require.InDelta(t, want.deviation, id.Jitter, 0.001, want.id)
		}
	}
}

func at(ms int, f canbus.Frame) canbus.Frame {
	f.Time = time.Duration(ms) * time.Millisecond
	return f
}

// ISO 15765-2 example of a VIN in three frames, and a conversation that breaks off.
func TestConversationsAreRead(t *testing.T) {
	n := inspect.New(inspect.Options{})
	for i, f := range []canbus.Frame{
		canbus.New(0x7DF, 2, 9, 2, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC),
		canbus.New(0x7E8, 0x10, 0x14, 0x49, 2, 1, 'T', 'E', 'S'),
		canbus.New(0x7E0, 0x30, 0, 0, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC),
		canbus.New(0x7E8, 0x21, 'T', 'C', 'A', 'R', '0', '1', '2'),
		canbus.New(0x7E8, 0x22, '3', '4', '5', '6', '7', '8', '9'),
		canbus.New(0x7DF, 1, 3, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC),
		canbus.New(0x7E8, 0x10, 0x0A, 0x43, 4, 1, 2, 3, 4),
		{ID: 0x240, Flags: canbus.Error, Len: 8, Data: [64]byte{6: 255}},
	} {
		f = at(i, f)
		n.See(&f)
	}
	r := n.Report()
	require.Len(t, r.Messages, 4)
	require.Equal(t, "vehicle information 02", r.Messages[0].Text)
	require.Equal(t, "vehicle information ok VIN TESTCAR0123456789", r.Messages[1].Text)
	require.Equal(t, [2]int{2, 5}, [2]int{r.Messages[1].First, r.Messages[1].Last})
	require.NotEmpty(t, r.Messages[3].Broken)
	require.Equal(t, "bus-off (transmit counter 255, receive counter 0)", r.Errors[0].Text)
}

// ISO 11898-1: 4 frames of 120 + 3 bits at 500 kbit/s are 984 us (the length is the
// computed vector of 7DF 02 01 0C).
func TestLoadIsTimeOnTheWire(t *testing.T) {
	n := inspect.New(inspect.Options{})
	for i := range 5 {
		f := at(i*250, canbus.New(0x7DF, 2, 1, 0x0C, 0, 0, 0, 0, 0))
		n.See(&f)
	}
	r := n.Report()
	require.InDelta(t, 4*123*2e-6, r.Load.Steps[0], 1e-9)
}

// list is a recording in memory.
type list struct{ fs []canbus.Frame }

func (l *list) Next(f *canbus.Frame) error {
	if len(l.fs) == 0 {
		return io.EOF
	}
	*f, l.fs = l.fs[0], l.fs[1:]
	return nil
}

func TestDifferencesAreFound(t *testing.T) {
	var a, b list
	for i := range 100 {
		a.fs = append(a.fs, at(10*i, canbus.New(0x100, byte(i))), at(10*i+1, canbus.New(0x200)))
		b.fs = append(b.fs, at(20*i, canbus.New(0x100, byte(i))), at(20*i+1, canbus.New(0x300)))
	}
	d, ra, rb, err := inspect.Compare(&a, &b, inspect.Options{})
	require.NoError(t, err)
	require.Equal(t, 200, ra.Frames)
	require.Equal(t, 200, rb.Frames)
	require.Equal(t, 1, d.Equal)
	require.Equal(t, "frame 2: 200 [0] , then 300 [0] ", d.First.String())
	require.Equal(t, "200", d.Gone[0].Name)
	require.Equal(t, "300", d.New[0].Name)
	require.Equal(t, []inspect.Period{{ID: "100", Left: 10, Right: 20}}, d.Periods)
}

func TestEqualRecordingsDoNotDiffer(t *testing.T) {
	a := list{[]canbus.Frame{at(1, canbus.New(1)), at(2, canbus.New(2))}}
	b := list{[]canbus.Frame{at(1, canbus.New(1)), at(3, canbus.New(2)), at(4, canbus.New(3))}}
	c := list{a.fs}
	d, _, _, err := inspect.Compare(&a, &b, inspect.Options{})
	require.NoError(t, err)
	require.Equal(t, "frame 3: the end, then 003 [0] ", d.First.String())
	a = list{c.fs}
	d, _, _, err = inspect.Compare(&a, &c, inspect.Options{})
	require.NoError(t, err)
	require.Nil(t, d.First)
}

// Two recordings joined, the second earlier by its own clock, and a frame out of order
// within the first: the times go back twice, and the length is that of both.
func TestTimesThatGoBackAreCounted(t *testing.T) {
	n := inspect.New(inspect.Options{Gap: 100 * time.Millisecond})
	for _, ms := range []int{100_000, 100_010, 100_009, 100_020, 5_000, 5_010, 5_600} {
		f := at(ms, canbus.New(0x100, 1))
		n.See(&f)
	}
	r := n.Report()
	require.Equal(t, 2, r.Backwards)
	require.Equal(t, 620*time.Millisecond, r.Length)
	require.Len(t, r.Gaps, 1)
	require.Equal(t, inspect.Gap{After: 6, At: 30 * time.Millisecond, Length: 590 * time.Millisecond}, r.Gaps[0])
	require.LessOrEqual(t, r.Load.Max, 1.0)
}

// The median of an even count is the mean of the two in the middle: of 1, 2, 10 and 40 ms
// it is 6 ms.
func TestTheMedianOfAnEvenCount(t *testing.T) {
	n := inspect.New(inspect.Options{})
	for _, ms := range []int{0, 40, 41, 43, 53} {
		f := at(ms, canbus.New(0x100, 1))
		n.See(&f)
	}
	require.InDelta(t, 6, n.Report().IDs[0].Median, 1e-6)
}
