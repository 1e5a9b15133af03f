package capture_test

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gopacket/gopacket/pcapgo"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

// write gives the bytes of a capture of the frames, each with its comment.
func write(t testing.TB, format capture.Format, opt capture.Options, all ...seen) []byte {
	var out bytes.Buffer
	w, err := capture.NewWriter(&out, "test", format, opt)
	require.NoError(t, err)
	for i := range all {
		require.NoError(t, w.Write(&all[i].Frame, all[i].Comment))
	}
	require.NoError(t, w.Close())
	return out.Bytes()
}

func withComments(fs []canbus.Frame) (all []seen) {
	for i, f := range fs {
		s := seen{Frame: f}
		switch i % 4 {
		case 1:
			s.Comment = "data byte 3 held at 00 by fault \"air-mass-dead\", so\r\nnothing"
		case 2:
			s.Comment = "Ölstand"
		}
		all = append(all, s)
	}
	return all
}

func TestRoundTrip(t *testing.T) {
	want := withComments(kinds())
	for _, format := range []capture.Format{capture.PcapNG, capture.CSV} {
		got, err := readBytes(t, write(t, format, capture.Options{}, want...))
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
}

// Any frame and comment come back as they were, in both formats.
func TestRoundTripOfAnything(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var want []seen
		for range rapid.IntRange(0, 20).Draw(rt, "frames") {
			want = append(want, seen{anyFrame(rt), rapid.StringMatching("[a-z\",;\r\n\t ü]{0,30}").Draw(rt, "comment")})
		}
		for _, format := range []capture.Format{capture.PcapNG, capture.CSV} {
			b := write(t, format, capture.Options{}, want...)
			got, err := readBytes(t, b)
			require.NoError(rt, err)
			require.Equal(rt, want, got)
			require.Equal(rt, b, write(t, format, capture.Options{}, got...), "the same frames give the same bytes")
		}
	})
}

func anyFrame(rt *rapid.T) canbus.Frame {
	var f canbus.Frame
	f.Time = time.Duration(rapid.Int64Range(0, 1<<62).Draw(rt, "time"))
	f.Bus = uint8(rapid.IntRange(0, 3).Draw(rt, "bus"))
	f.Flags = rapid.SampledFrom([]canbus.Flags{0, canbus.Remote, canbus.FD, canbus.FD | canbus.BitRateSwitch,
		canbus.FD | canbus.ErrorPassive, canbus.Error}).Draw(rt, "flags")
	most := int(canbus.MaxExtendedID)
	if f.Flags&canbus.Error == 0 {
		if rapid.Bool().Draw(rt, "extended") {
			f.Flags |= canbus.Extended
		} else {
			most = int(canbus.MaxStandardID)
		}
	}
	f.ID = canbus.ID(rapid.IntRange(0, most).Draw(rt, "id"))
	dlc := rapid.IntRange(0, 15).Draw(rt, "dlc")
	f.Len = uint8(canbus.LengthOf(uint8(dlc)))
	if f.Flags&canbus.FD == 0 && dlc > 8 {
		f.Len, f.RawDLC = 8, uint8(dlc)
	}
	if f.Flags&canbus.Error != 0 {
		f.Len, f.RawDLC = 8, 0
	}
	copy(f.Data[:], rapid.SliceOfN(rapid.Byte(), len(f.Payload()), len(f.Payload())).Draw(rt, "data"))
	return f
}

// An independent reader finds the same.
func TestLibraryReads(t *testing.T) {
	want := withComments(kinds())
	b := write(t, capture.PcapNG, capture.Options{Buses: []string{"drive"}}, want...)
	r, err := pcapgo.NewNgReader(bytes.NewReader(b), pcapgo.DefaultNgReaderOptions)
	require.NoError(t, err)
	assert.Equal(t, "sawhorse", r.SectionInfo().Application)
	for _, w := range want {
		data, ci, opts, err := r.ReadPacketDataWithOptions()
		require.NoError(t, err)
		assert.Equal(t, packetRecord(&w.Frame, false), data)
		assert.Equal(t, int64(w.Time), ci.Timestamp.UnixNano())
		assert.EqualValues(t, w.Bus, ci.InterfaceIndex)
		assert.Equal(t, w.Comment, strings.Join(opts.Comments, "|"))
	}
	_, _, err = r.ReadPacketData()
	assert.Equal(t, io.EOF, err)
	for i, name := range []string{"drive", "can1", "can2"} {
		in, err := r.Interface(i)
		require.NoError(t, err)
		assert.Equal(t, name, in.Name)
		assert.EqualValues(t, 227, in.LinkType)
		assert.EqualValues(t, 9, in.TimestampResolution)
	}
}

func TestLongComments(t *testing.T) {
	long := strings.Repeat("x", 65534) + "ü and more"
	got, err := readBytes(t, write(t, capture.PcapNG, capture.Options{}, seen{canbus.New(1), long}, seen{canbus.New(2), "a\xffb"}))
	require.NoError(t, err)
	assert.Equal(t, long[:65534], got[0].Comment, "cut before the character that does not fit")
	assert.Equal(t, "a?b", got[1].Comment)
}

func TestOrigin(t *testing.T) {
	f := canbus.New(1)
	f.Time = 1500 * time.Microsecond
	begin := time.Date(2026, 5, 4, 3, 2, 1, 7, time.UTC)
	got, err := readBytes(t, write(t, capture.PcapNG, capture.Options{Origin: begin}, seen{Frame: f}))
	require.NoError(t, err)
	assert.Equal(t, begin.Add(f.Time), time.Unix(0, int64(got[0].Time)).UTC())
}

func TestFramesThatCannotBeWritten(t *testing.T) {
	var out bytes.Buffer
	w, err := capture.NewWriter(&out, "run", capture.CSV, capture.Options{})
	require.NoError(t, err)
	err = w.Write(&canbus.Frame{ID: 0x800}, "")
	assert.ErrorIs(t, err, canbus.ErrFrame)
	assert.ErrorContains(t, err, "run: byte 35, frame 1: not a CAN frame: identifier 800")
	assert.ErrorContains(t, w.Write(&canbus.Frame{Time: -1}, ""), "want a moment from 1970 to 2262")
	require.NoError(t, w.Write(&canbus.Frame{ID: 0x7FF}, ""), "the next one is fine")
	require.NoError(t, w.Close())
	assert.EqualValues(t, 1, w.Frames())
	assert.Equal(t, "time,bus,id,flags,dlc,data,comment\n0.000000000,0,7FF,,0,,\n", out.String())
	assert.ErrorIs(t, w.Write(&canbus.Frame{}, ""), os.ErrClosed)

	_, err = capture.NewWriter(&out, "run", 9, capture.Options{})
	assert.ErrorContains(t, err, "format 9")
	_, err = capture.NewWriter(&out, "run", 0, capture.Options{Buses: make([]string, 257)})
	assert.ErrorContains(t, err, "257 buses; want at most 256")
}

func TestFilesAppearWhole(t *testing.T) {
	for _, name := range []string{"a.pcapng", "a.csv", "a.pcapng.gz", "a.csv.gz"} {
		path := filepath.Join(t.TempDir(), name)
		w, err := capture.Create(path, capture.Options{})
		require.NoError(t, err)
		assert.Equal(t, path+".part", w.Part())
		f := canbus.New(0x7E8, 1)
		require.NoError(t, w.Write(&f, ""))
		assert.NoFileExists(t, path)
		require.NoError(t, w.Close())
		require.NoError(t, w.Abort(), "nothing to remove")
		assert.Equal(t, []string{name}, names(t, filepath.Dir(path)))
		r, err := capture.Open(path)
		require.NoError(t, err)
		got, err := readAll(t, r)
		require.NoError(t, err)
		assert.Len(t, got, 1)
		require.NoError(t, r.Close())
	}
}

// A recording takes nobody's place unless it is told to: neither that of a file that is
// there at the beginning, nor of one that has come meanwhile.
func TestRecordingsAreNotOverwritten(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.csv")
	older := func(want string) {
		b, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, want, string(b))
	}
	w, err := capture.Create(path, capture.Options{})
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, []byte("older"), 0o600))
	f := canbus.New(0x7E8, 1)
	require.NoError(t, w.Write(&f, ""))
	require.ErrorIs(t, w.Close(), fs.ErrExist)
	older("older")
	require.FileExists(t, w.Part(), "what was recorded stays")

	_, err = capture.Create(path, capture.Options{})
	require.ErrorIs(t, err, fs.ErrExist)
	require.ErrorContains(t, err, path)
	require.Equal(t, []string{"a.csv", "a.csv.part"}, names(t, filepath.Dir(path)))

	w, err = capture.Create(path, capture.Options{Replace: true})
	require.NoError(t, err)
	older("older")
	require.NoError(t, w.Close())
	older("time,bus,id,flags,dlc,data,comment\n")
}

func TestAbortLeavesNothing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.csv")
	require.NoError(t, os.WriteFile(path, []byte("older"), 0o600))
	w, err := capture.Create(path, capture.Options{Replace: true})
	require.NoError(t, err)
	require.NoError(t, w.Abort())
	require.NoError(t, w.Abort())
	assert.Equal(t, []string{"a.csv"}, names(t, filepath.Dir(path)))
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "older", string(b))
	assert.Error(t, w.Close())
}

// What a lost run left behind is not overwritten.
func TestOlderPartsStay(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.pcapng")
	require.NoError(t, os.WriteFile(path+".part", []byte("evidence"), 0o600))
	w, err := capture.Create(path, capture.Options{})
	require.NoError(t, err)
	assert.Equal(t, path+".2.part", w.Part())
	require.NoError(t, w.Close())
	assert.Equal(t, []string{"a.pcapng", "a.pcapng.part"}, names(t, filepath.Dir(path)))
}

func TestCreateErrors(t *testing.T) {
	_, err := capture.Create("a.pcap", capture.Options{})
	assert.ErrorIs(t, err, capture.ErrFormat)
	assert.ErrorContains(t, err, "want a name ending in .pcapng, .csv, .pcapng.gz or .csv.gz")
	_, err = capture.Create(filepath.Join(t.TempDir(), "no", "a.csv"), capture.Options{})
	assert.ErrorIs(t, err, os.ErrNotExist)
}

// A recorder that dies leaves whole blocks up to its last flush.
func TestUnfinishedFileIsReadable(t *testing.T) {
	for _, name := range []string{"a.pcapng", "a.csv", "a.pcapng.gz", "a.csv.gz"} {
		path := filepath.Join(t.TempDir(), name)
		w, err := capture.Create(path, capture.Options{FlushEvery: 100 * time.Millisecond, Sync: true})
		require.NoError(t, err)
		var f canbus.Frame
		for i := range 1000 {
			traffic(i, &f) // one in 250 us
			require.NoError(t, w.Write(&f, ""))
		}
		r, err := capture.Open(w.Part())
		require.NoError(t, err)
		got, err := readAll(t, r)
		assert.Len(t, got, 801, name) // flushed with frame 400 and frame 800
		if strings.HasSuffix(name, ".gz") {
			assert.ErrorIs(t, err, io.ErrUnexpectedEOF, name)
		} else {
			assert.NoError(t, err, name)
		}
		require.NoError(t, r.Close())
		require.NoError(t, w.Flush())
		r, err = capture.Open(w.Part())
		require.NoError(t, err)
		got, _ = readAll(t, r)
		assert.Len(t, got, 1000, name)
		require.NoError(t, r.Close())
		require.NoError(t, w.Abort())
	}
}

// full is a disk with little left.
type full struct{ room int }

var errFull = errors.New("no space left")

func (f *full) Write(b []byte) (int, error) {
	if len(b) > f.room {
		return f.room, errFull
	}
	f.room -= len(b)
	return len(b), nil
}

func TestOutputErrorsStay(t *testing.T) {
	w, err := capture.NewWriter(&full{100_000}, "disk", capture.PcapNG, capture.Options{})
	require.NoError(t, err)
	var f canbus.Frame
	n := 0
	for err == nil && n < 10_000 {
		traffic(n, &f)
		err = w.Write(&f, "")
		n++
	}
	assert.ErrorIs(t, err, errFull)
	assert.Greater(t, n, 1300)
	assert.Less(t, n, 3000)
	assert.Equal(t, err, w.Write(&f, ""))
	assert.Equal(t, err, w.Flush())
	assert.Equal(t, err, w.Close())
	asError(t, err)
}

func names(t *testing.T, dir string) (all []string) {
	es, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range es {
		all = append(all, e.Name())
	}
	return all
}
