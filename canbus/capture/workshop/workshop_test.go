package workshop_test

import (
	"bytes"
	"compress/gzip"
	"flag"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/capture/workshop"
	"sawhorse/canbus/wire"
	"sawhorse/testdata/captures"
)

var update = flag.Bool("update", false, "write the recording anew")

const file = "../../../testdata/captures/workshop-drive.pcapng.gz"

// The file in testdata is what this package makes.
func TestTheFileIsCurrent(t *testing.T) {
	if *update {
		w, err := capture.Create(file, capture.Options{Buses: []string{"workshop"}})
		require.NoError(t, err)
		for f := range workshop.Frames {
			require.NoError(t, w.Write(f, ""))
		}
		require.NoError(t, w.Close())
	}
	r, err := capture.Open(file)
	require.NoError(t, err)
	defer r.Close()
	var got canbus.Frame
	n := 0
	for f := range workshop.Frames {
		require.NoError(t, r.Next(&got))
		require.Equal(t, *f, got, "frame %d", n)
		n++
	}
	require.ErrorIs(t, r.Next(&got), io.EOF)
	require.Greater(t, n, 20_000)
}

// The recording inside the file is what the writer makes of the frames, byte for
// byte; only the compression is left to the library's version.
func TestTheFileIsTheSameBytes(t *testing.T) {
	var want bytes.Buffer
	w, err := capture.NewWriter(&want, "again", capture.PcapNG, capture.Options{Buses: []string{"workshop"}})
	require.NoError(t, err)
	for f := range workshop.Frames {
		require.NoError(t, w.Write(f, ""))
	}
	require.NoError(t, w.Close())
	in, err := captures.FS.Open("workshop-drive.pcapng.gz")
	require.NoError(t, err)
	defer in.Close()
	z, err := gzip.NewReader(in)
	require.NoError(t, err)
	got, err := io.ReadAll(z)
	require.NoError(t, err)
	require.True(t, bytes.Equal(want.Bytes(), got), "run with -update, and look at what has changed")
}

// The load, counted bit by bit with the stuffing of each frame and the three bits
// of intermission (ISO 11898-1:2015 clauses 10.4.6 and 10.5).
func TestTheLoadBitByBit(t *testing.T) {
	bits := 0
	for f := range workshop.Frames {
		nominal, _ := wire.Bits(f)
		bits += nominal + 3
	}
	require.InDelta(t, 0.40, float64(bits)/500_000/workshop.Length.Seconds(), 0.05)
}

// About 40 % of 500 kbit/s, no two frames at once, none going back.
func TestTheDriveFitsOnAWire(t *testing.T) {
	var busy, last time.Duration
	ids := map[canbus.ID]bool{}
	for f := range workshop.Frames {
		length := time.Duration(50+9*int(f.Len)) * 2 * time.Microsecond
		require.GreaterOrEqual(t, f.Time, last+length)
		require.Less(t, f.ID, canbus.ID(0x600))
		last = f.Time
		busy += length
		ids[f.ID] = true
	}
	require.Len(t, ids, 22)
	require.InDelta(t, 0.40, busy.Seconds()/workshop.Length.Seconds(), 0.05)
}
