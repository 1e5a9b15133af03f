package capture_test

import (
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

// RFC 4180 lets the last line go without an end. Where nothing but the digits themselves
// tells how many there are, a file that was cut in them looks the same: its last frame is
// told as broken, never given with part of its data.
func TestALastLineThatMayBeCutIsNoFrame(t *testing.T) {
	const short, long = "time,id,data\n", "time,id,dlc,data\n"
	for text, want := range map[string]int{
		short + "1.0,123,0102\n2.0,123,0304\n":     2,
		short + "1.0,123,0102\n2.0,123,0304":       1,
		short + "1.0,123,0102\n2.0,123,03":         1,
		short + "1.0,123,0102\n2.0,123,":           1,
		long + "1.0,123,2,0102\n2.0,123,2,0304":    2,
		long + "1.0,123,2,0102\n2.0,123,2,03":      1,
		long + "1.0,123,2,0102\n2.0,123,,0304":     1,
		"time,data,id\n1.0,0102,123\n2.0,0304,123": 2,
	} {
		r, err := capture.NewReader(strings.NewReader(text), "x.csv")
		require.NoError(t, err, "%q", text)
		n := 0
		var f canbus.Frame
		for err = r.Next(&f); err == nil; err = r.Next(&f) {
			require.Equal(t, uint8(2), f.Len, "%q", text)
			n++
		}
		require.Equal(t, want, n, "%q", text)
		require.Equal(t, want == 2, errors.Is(err, io.EOF), "%q: %v", text, err)
	}
}
