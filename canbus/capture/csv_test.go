package capture_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

func TestCSVIsWrittenLikeThis(t *testing.T) {
	want := `time,bus,id,flags,dlc,data,comment
1497283796.000000007,0,000,,0,,
1497283796.001000008,1,7FF,,1,FF,"data byte 3 held at 00 by fault ""air-mass-dead"", so` + "\r\n" + `nothing"
1497283796.002000009,2,123,,13,0102030405060708,Ölstand
1497283796.003000010,0,100,,3,010203,
`
	got := string(write(t, capture.CSV, capture.Options{}, withComments(kinds())...))
	assert.Equal(t, want, got[:len(want)])
	for _, line := range []string{
		"0,6F0,RTR,5,,Ölstand", ",000007FF,IDE,1,09,", ",18DAF110,IDE RTR,8,,", ",7E0,FDF,9,01080F161D242B323940474E,",
		",7E1,FDF BRS ESI,11,", ",18DA10F1,IDE FDF BRS,15,", ",00000040,ERR,8,0000000000008003,",
	} {
		assert.Contains(t, got, line)
	}
}

func TestCSVHeaders(t *testing.T) {
	for _, in := range []string{
		"time,id,dlc,data\n1.5,7E8,2,ab01\n",
		"\xEF\xBB\xBFtime,id,dlc,data\r\n1.5,7e8,2,AB01\r\n\r\n",
		"data,time,id\nAB01,1.500000000,7E8", // no line end, no dlc
		"id,time,data,dlc,bus,flags\n7E8,1.5,AB01,,,",
		`"time","id","data","comment"` + "\n" + `"1.5","7E8","AB01",""` + "\n",
	} {
		got, err := readBytes(t, []byte(in))
		require.NoError(t, err, in)
		want := canbus.New(0x7E8, 0xAB, 0x01)
		want.Time = 1500 * time.Millisecond
		assert.Equal(t, []seen{{Frame: want}}, got, in)
	}
}

func TestCSVIdentifiersWithoutFlags(t *testing.T) {
	got, err := readBytes(t, []byte("time,id,data\n0,7FF,\n0,0007FF,\n0,18DAF110,\n"))
	require.NoError(t, err)
	assert.Equal(t, canbus.Key(0x7FF), got[0].Key())
	assert.Equal(t, canbus.KeyOf(0x7FF, true), got[1].Key())
	assert.Equal(t, canbus.KeyOf(0x18DAF110, true), got[2].Key())
}

// Every bad line is named by line and column; the lines around it are read.
func TestCSVFindings(t *testing.T) {
	const header, good = "time,bus,id,flags,dlc,data,comment\n", "1.0,0,100,,1,AA,\n"
	for _, c := range []struct{ line, want string }{
		{"1.0,0,100,,1,AA", "3:16: byte 52, frame 2: not a readable capture: 6 columns; want 7 as in the header"},
		{"1.0,0,100,,1,AA,,", "8 columns"},
		{"x,0,100,,1,AA,", `3:1: byte 52, frame 2: not a readable capture: time "x"; want seconds since 1970`},
		{"1.,0,100,,1,AA,", `time "1."`},
		{"1.2.3,0,100,,1,AA,", `time "1.2.3"`},
		{"-1,0,100,,1,AA,", `time "-1"`},
		{"9999999999,0,100,,1,AA,", `time "9999999999"`},
		{"1.0,256,100,,1,AA,", `3:5: byte 52, frame 2: not a readable capture: bus "256"; want a number from 0 to 255`},
		{"1.0,0,1G0,,1,AA,", `3:7: byte 52, frame 2: not a readable capture: identifier "1G0"`},
		{"1.0,0,20000000,IDE,1,AA,", `identifier "20000000"`},
		{"1.0,0,000000001,,1,AA,", `identifier "000000001"`},
		{"1.0,0,800,,1,AA,", "3:7: byte 52, frame 2: not a CAN frame: identifier 800 needs more than 11 bits"},
		{"1.0,0,100,IDE fd,1,AA,", `3:11: byte 52, frame 2: not a readable capture: flag "IDE fd"; want IDE RTR ERR FDF BRS ESI`},
		{"1.0,0,100,BRS,1,AA,", "BRS or ESI on a classical frame"},
		{"1.0,0,100,FDF RTR,1,,", "CAN FD has no remote frames"},
		{"1.0,0,100,RTR,,,", `data length code ""`},
		{"1.0,0,100,,16,AA,", `3:12: byte 52, frame 2: not a readable capture: data length code "16"; want a number from 0 to 15`},
		{"1.0,0,100,,2,AA,", "3:14: byte 52, frame 2: not a readable capture: 2 hexadecimal digits of data; want 4"},
		{"1.0,0,100,,1,AAA,", "3 hexadecimal digits of data; want 2"},
		{"1.0,0,100,,1,A-,", `payload "A-"; want hexadecimal digits`},
		{"1.0,0,100,,," + strings.Repeat("00", 65) + ",", "want at most 64 bytes"},
		{"1.0,0,100,,," + strings.Repeat("00", 9) + ",", "9 data bytes in a classical frame"},
		{`1.0,0,100,,1,AA,"open`, "3:17: byte 52, frame 2: not a readable capture: a quotation mark that does not close"},
		{`1.0,0,100,,1,AA,"a"b`, "3:20: byte 52, frame 2: not a readable capture: text after a quotation mark; want a comma"},
	} {
		got, err := readBytes(t, []byte(header+good+c.line+"\n"+good+good))
		assert.ErrorContains(t, err, c.want)
		if assert.Len(t, got, 3, c.line) {
			assert.EqualValues(t, 1, asError(t, err).Skipped)
			assert.Equal(t, 3, asError(t, err).Line)
		}
	}
}

func TestCSVQuotedLineEnds(t *testing.T) {
	const in = "time,id,data,comment\n1,100,,\"one\ntwo \"\"and\"\" three\n\"\n2,101,,x\"y\nbad\n"
	got, err := readBytes(t, []byte(in))
	require.Len(t, got, 2)
	assert.Equal(t, "one\ntwo \"and\" three\n", got[0].Comment)
	assert.Equal(t, `x"y`, got[1].Comment, "a mark inside a plain field is a mark")
	assert.Equal(t, 6, asError(t, err).Line, "quoted line ends count")
}

func TestCSVLinesHaveABound(t *testing.T) {
	got, err := readBytes(t, []byte("time,id,data\n1,100,\n"+strings.Repeat("x", 2<<20)))
	assert.Len(t, got, 1)
	assert.ErrorContains(t, err, "test:3:1: byte 20, frame 2: not a readable capture: a line of more than 1048576 bytes")
}

func TestCSVInTruncatedGzip(t *testing.T) {
	z := zipped(t, csvOf(t, 5000))
	got, err := readBytes(t, z[:len(z)/2])
	assert.Greater(t, len(got), 500)
	e := asError(t, err)
	assert.True(t, e.Gzip)
	assert.Equal(t, len(got)+2, e.Line)
	assert.ErrorContains(t, err, "of the decompressed stream, frame")
	assert.ErrorContains(t, err, "the compressed stream is cut off")
}
