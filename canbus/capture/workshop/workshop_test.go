package workshop_test

import (
	"flag"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/capture/workshop"
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
