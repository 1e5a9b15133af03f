package canbus_test

import (
	"encoding/binary"
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
)

// Records by the layout of Linux can.h: u32 can_id in native byte order, len,
// flags (canfd_frame) at 5, len8_dlc (can_frame) at 7, data at 8. The hex is
// written little-endian; on a big-endian machine can_id is turned round.
func TestRecordVectors(t *testing.T) {
	zeros := func(n int) string { return strings.Repeat("00", n) }
	for _, c := range []struct {
		name string
		f    canbus.Frame
		want string
	}{
		{"base", canbus.New(0x7DF, 2, 1, 0x0C), "df070000" + "03000000" + "02010c" + zeros(5)},
		{"extended", canbus.NewExtended(0x18DB33F1, 2, 1), "f133db98" + "02000000" + "0201" + zeros(6)},
		{"remote", canbus.Frame{ID: 0x123, Flags: canbus.Remote, Len: 4}, "23010040" + "04000000" + zeros(8)},
		{"eight bytes with code 13", canbus.Frame{ID: 1, Len: 8, RawDLC: 13, Data: [64]byte{1, 2, 3, 4, 5, 6, 7, 8}},
			"01000000" + "0800000d" + "0102030405060708"},
		{"bus-off report", canbus.Frame{ID: 0x40, Flags: canbus.Error, Len: 8}, "40000020" + "08000000" + zeros(8)},
		{"no ACK, TEC 128", canbus.Frame{ID: 0x220, Flags: canbus.Error, Len: 8, Data: [64]byte{6: 0x80}},
			"20020020" + "08000000" + "0000000000008000"},
		{"FD", canbus.NewFD(0x123, 0, 0xAA), "23010000" + "01040000" + "aa" + zeros(63)},
		{"FD with BRS, extended", canbus.NewFD(0x18DAF110, canbus.Extended|canbus.BitRateSwitch, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12),
			"10f1da98" + "0c050000" + "0102030405060708090a0b0c" + zeros(52)},
		{"FD with ESI", canbus.NewFD(0x10, canbus.ErrorPassive), "10000000" + "00060000" + zeros(64)},
	} {
		want, err := hex.DecodeString(c.want)
		require.NoError(t, err)
		id := binary.LittleEndian.Uint32(want)
		binary.NativeEndian.PutUint32(want, id)
		assert.Equal(t, want, c.f.AppendRecord(nil), c.name)
		got := canbus.Frame{ID: 99, Len: 7, RawDLC: 9, Flags: canbus.FD, Data: [64]byte{63: 1}}
		require.NoError(t, got.ReadRecord(want), c.name)
		assert.Equal(t, c.f, got, c.name)
	}
}

func TestBadRecords(t *testing.T) {
	le := func(id uint32, rest ...byte) []byte {
		b := make([]byte, canbus.RecordSize)
		binary.NativeEndian.PutUint32(b, id)
		copy(b[4:], rest)
		return b
	}
	for _, c := range []struct {
		name string
		b    []byte
		want string
	}{
		{"nothing", nil, "record of 0 bytes, want 16 or 72"},
		{"half a frame", make([]byte, 15), "record of 15 bytes"},
		{"between the two", make([]byte, 17), "record of 17 bytes"},
		{"a bigger one", make([]byte, 2060), "record of 2060 bytes"},
		{"nine bytes of data", le(1, 9), "length 9 in a record of 16 bytes"},
		{"base identifier of 12 bits", le(0x800), "more than 11 bits"},
		{"report of 7 bytes", le(0x20000004, 7), "error report of 7 bytes"},
		{"raw code 3", le(1, 8, 0, 0, 3), "raw data length code 3"},
		{"FD of 9 bytes", append(le(1, 9), make([]byte, 56)...), "no CAN FD length"},
		{"FD of 65 bytes", append(le(1, 65), make([]byte, 56)...), "length 65 in a record of 72 bytes"},
		{"FD remote", append(le(0x40000001), make([]byte, 56)...), "no remote frames"},
	} {
		var f canbus.Frame
		err := f.ReadRecord(c.b)
		require.ErrorIs(t, err, canbus.ErrFrame, c.name)
		assert.ErrorContains(t, err, c.want, c.name)
	}
}

// drawFrame draws a frame that a bus could carry, reports included.
func drawFrame(t *rapid.T) canbus.Frame {
	var f canbus.Frame
	switch rapid.IntRange(0, 3).Draw(t, "kind") {
	case 0:
		f.Flags = canbus.FD | rapid.SampledFrom([]canbus.Flags{0, canbus.BitRateSwitch, canbus.ErrorPassive, canbus.BitRateSwitch | canbus.ErrorPassive}).Draw(t, "flags")
		f.Len = uint8(canbus.LengthOf(uint8(rapid.IntRange(0, 15).Draw(t, "dlc"))))
	case 1:
		f.Flags, f.Len = canbus.Remote, uint8(rapid.IntRange(0, 8).Draw(t, "len"))
	case 2:
		f.Flags, f.Len = canbus.Error, 8
	default:
		f.Len = uint8(rapid.IntRange(0, 8).Draw(t, "len"))
		if f.Len == 8 && rapid.Bool().Draw(t, "raw") {
			f.RawDLC = uint8(rapid.IntRange(9, 15).Draw(t, "code"))
		}
	}
	most := canbus.MaxStandardID
	switch {
	case f.Flags&canbus.Error != 0:
		most = canbus.MaxExtendedID
	case rapid.Bool().Draw(t, "extended"):
		f.Flags |= canbus.Extended
		most = canbus.MaxExtendedID
	}
	f.ID = canbus.ID(rapid.Uint32Max(uint32(most)).Draw(t, "id"))
	copy(f.Data[:], rapid.SliceOfN(rapid.Byte(), len(f.Payload()), len(f.Payload())).Draw(t, "data"))
	return f
}

func TestRecordRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawFrame(t)
		if err := f.Validate(); err != nil {
			t.Fatal(err)
		}
		b := f.AppendRecord(nil)
		want := canbus.RecordSize
		if f.Has(canbus.FD) {
			want = canbus.RecordSizeFD
		}
		if len(b) != want {
			t.Fatalf("%d bytes, want %d", len(b), want)
		}
		var got canbus.Frame
		if err := got.ReadRecord(b); err != nil {
			t.Fatal(err)
		}
		if got != f {
			t.Fatalf("%s came back as %s", f.String(), got.String())
		}
	})
}

func TestRecordsAllocateNothing(t *testing.T) {
	f := canbus.New(0x123, 1, 2, 3)
	buf := make([]byte, 0, canbus.RecordSizeFD)
	assert.Zero(t, testing.AllocsPerRun(100, func() {
		b := f.AppendRecord(buf)
		var g canbus.Frame
		_ = g.ReadRecord(b)
	}))
}

// Whatever arrives is refused or is a valid frame that says the same when written
// again and read back.
func FuzzReadRecord(f *testing.F) {
	frame := canbus.New(0x7DF, 2, 1, 0x0C)
	f.Add(frame.AppendRecord(nil))
	frame = canbus.NewExtended(0x18DB33F1, 1)
	f.Add(frame.AppendRecord(nil))
	frame = canbus.NewFD(0x123, canbus.BitRateSwitch, make([]byte, 64)...)
	f.Add(frame.AppendRecord(nil))
	frame = canbus.Frame{ID: 0x204, Flags: canbus.Error, Len: 8}
	f.Add(frame.AppendRecord(nil))
	frame = canbus.Frame{ID: 0x10, Flags: canbus.Remote, Len: 8, RawDLC: 12}
	f.Add(frame.AppendRecord(nil))
	f.Add(make([]byte, 15))
	f.Fuzz(func(t *testing.T, b []byte) {
		var got canbus.Frame
		if err := got.ReadRecord(b); err != nil {
			require.ErrorIs(t, err, canbus.ErrFrame)
			return
		}
		require.NoError(t, got.Validate())
		for _, x := range got.Data[len(got.Payload()):] {
			require.Zero(t, x, "bytes beyond the payload")
		}
		again := got.AppendRecord(nil)
		require.Len(t, again, len(b))
		var back canbus.Frame
		require.NoError(t, back.ReadRecord(again))
		require.Equal(t, got, back)
	})
}

func BenchmarkRecord(b *testing.B) {
	f := canbus.New(0x123, 1, 2, 3, 4, 5, 6, 7, 8)
	buf := make([]byte, 0, canbus.RecordSizeFD)
	b.Run("append", func(b *testing.B) {
		for b.Loop() {
			_ = f.AppendRecord(buf)
		}
	})
	rec := f.AppendRecord(nil)
	b.Run("read", func(b *testing.B) {
		var g canbus.Frame
		for b.Loop() {
			_ = g.ReadRecord(rec)
		}
	})
}
