package capture_test

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

// A. Gazdag, Sz. Lestyan, M. Remeli, G. Acs, T. Holczer, G. Biczok: "Privacy
// pitfalls of releasing in-vehicle network data", Vehicular Communications 39
// (2023) 100565; sample trace 1. Numbers of the frames by identifier.
var driveFrames = map[canbus.ID]int{
	0x110: 6127, 0x120: 6127, 0x140: 6124, 0x180: 6119, 0x1A0: 1226, 0x280: 6123, 0x290: 612, 0x295: 65, 0x300: 805,
	0x301: 613, 0x380: 613, 0x381: 614, 0x383: 614, 0x410: 613, 0x440: 61, 0x4A0: 61, 0x510: 134, 0x531: 61,
}

func TestRecordedDrive(t *testing.T) {
	var both [2][]seen
	for i, name := range []string{"drive-1.pcap.gz", "drive-1.csv.gz"} {
		r, err := capture.Open(drive(t, name))
		require.NoError(t, err)
		both[i], err = readAll(t, r)
		require.NoError(t, err)
		require.NoError(t, r.Close())
	}
	require.Len(t, both[0], 36712)
	assert.Equal(t, both[0], both[1], "pcap and CSV hold the same frames")
	count := map[canbus.ID]int{}
	var least, most time.Duration = time.Hour, 0
	for i, f := range both[0] {
		count[f.ID]++
		require.Zero(t, f.Flags, "all are classical data frames with 11 bits")
		if i > 0 {
			gap := f.Time - both[0][i-1].Time
			least, most = min(least, gap), max(most, gap)
		}
	}
	assert.Equal(t, driveFrames, count)
	assert.Equal(t, 1497283796807994*time.Microsecond, both[0][0].Time)
	assert.Equal(t, 1497283859188160*time.Microsecond, both[0][36711].Time)
	assert.Equal(t, 43*time.Microsecond, least)
	assert.Equal(t, 897194*time.Microsecond, most.Round(time.Microsecond))
}

// Every kind of frame in every variant of pcap that the format allows: the time
// units, byte orders, and trimmed records of the libpcap description.
func TestPcapVariants(t *testing.T) {
	for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
		for _, unit := range []time.Duration{time.Microsecond, time.Nanosecond} {
			for _, trimmed := range []bool{false, true} {
				magic := uint32(0xA1B2C3D4)
				if unit == time.Nanosecond {
					magic = 0xA1B23C4D
				}
				b := order.AppendUint32(nil, magic)
				b = order.AppendUint16(order.AppendUint16(b, 2), 4)
				b = order.AppendUint32(append(b, make([]byte, 8)...), 65535)
				b = order.AppendUint32(b, 227)
				want := kinds()
				for i := range want {
					want[i].Bus = 0
					rec := packetRecord(&want[i], trimmed)
					want[i].Time = want[i].Time.Truncate(unit)
					b = order.AppendUint32(b, uint32(want[i].Time/time.Second))
					b = order.AppendUint32(b, uint32(want[i].Time%time.Second/unit))
					b = order.AppendUint32(b, uint32(len(rec)))
					b = append(order.AppendUint32(b, uint32(len(rec))), rec...)
				}
				got, err := readBytes(t, b)
				require.NoError(t, err)
				require.Len(t, got, len(want))
				for i := range want {
					assert.Equal(t, want[i], got[i].Frame, "%v %v trimmed %v", order, unit, trimmed)
				}
			}
		}
	}
}

// Files of an independent writer.
func TestLibraryWritten(t *testing.T) {
	want := kinds()
	var micro, nano, ng bytes.Buffer
	mw, nw := pcapgo.NewWriter(&micro), pcapgo.NewWriterNanos(&nano)
	require.NoError(t, mw.WriteFileHeader(0, linkCAN))
	require.NoError(t, nw.WriteFileHeader(0, linkCAN))
	gw, err := pcapgo.NewNgWriterInterface(&ng, pcapgo.NgInterface{Name: "body", LinkType: linkCAN, TimestampResolution: 9}, pcapgo.DefaultNgWriterOptions)
	require.NoError(t, err)
	for _, name := range []string{"drive", "comfort"} {
		_, err = gw.AddInterface(pcapgo.NgInterface{Name: name, LinkType: linkCAN, TimestampResolution: 9})
		require.NoError(t, err)
	}
	for i := range want {
		b := packetRecord(&want[i], i%2 == 0)
		ci := gopacket.CaptureInfo{Timestamp: time.Unix(0, int64(want[i].Time)).UTC(), CaptureLength: len(b), Length: len(b)}
		require.NoError(t, mw.WritePacket(ci, b))
		require.NoError(t, nw.WritePacket(ci, b))
		ci.InterfaceIndex = int(want[i].Bus)
		require.NoError(t, gw.WritePacketWithOptions(ci, b, pcapgo.NgPacketOptions{Comments: []string{fmt.Sprint("number ", i), "second"}}))
	}
	require.NoError(t, gw.Flush())

	got, err := readBytes(t, ng.Bytes())
	require.NoError(t, err)
	require.Len(t, got, len(want))
	for i := range want {
		assert.Equal(t, want[i], got[i].Frame)
		assert.Equal(t, fmt.Sprintf("number %d\nsecond", i), got[i].Comment)
	}
	for unit, b := range map[time.Duration][]byte{time.Microsecond: micro.Bytes(), time.Nanosecond: nano.Bytes()} {
		got, err := readBytes(t, b)
		require.NoError(t, err)
		for i := range want {
			w := want[i]
			w.Bus, w.Time = 0, w.Time.Truncate(unit)
			assert.Equal(t, w, got[i].Frame)
		}
	}
}

// Old writers leave FDF out; the record's length tells (libpcap link types).
func TestRecordsWithoutFDF(t *testing.T) {
	f := canbus.NewFD(0x7E0, 0, make([]byte, 8)...)
	old := packetRecord(&f, false)
	old[5] = 1
	trimmed := packetRecord(func() *canbus.Frame { g := canbus.NewFD(0x7E0, 0, make([]byte, 12)...); return &g }(), true)
	trimmed[5] = 0
	classic := packetRecord(func() *canbus.Frame { g := canbus.New(0x7E0, 1); return &g }(), false)
	classic[5] = 1 // padding of a struct can_frame, whatever it holds
	got, err := readBytes(t, ngFile(le, ngIf(le, 227, ""), ngPacket(le, 0, 0, old), ngPacket(le, 0, 0, trimmed), ngPacket(le, 0, 0, classic)))
	require.NoError(t, err)
	require.Len(t, got, 3)
	assert.Equal(t, canbus.FD|canbus.BitRateSwitch, got[0].Flags)
	assert.Equal(t, canbus.FD, got[1].Flags)
	assert.EqualValues(t, 12, got[1].Len)
	assert.Zero(t, got[2].Flags)
}

// A recorder may cut records; what of the payload is there must suffice.
func TestCutRecords(t *testing.T) {
	fd := canbus.NewFD(0x7E0, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12)
	rec := packetRecord(&fd, false)
	rec[5] = 0 // even the length before the cut tells FD
	whole := ngPacketLen(le, 0, 5, rec[:24], 72)
	cut := ngPacketLen(le, 0, 6, rec[:19], 72)
	got, err := readBytes(t, ngFile(le, ngIf(le, 227, ""), whole, cut, whole))
	require.Len(t, got, 2, "what is readable behind the bad record comes first")
	assert.Equal(t, fd.Data, got[0].Data)
	e := asError(t, err)
	assert.ErrorIs(t, e, canbus.ErrFrame)
	assert.EqualValues(t, 28+24+len(whole), e.Offset)
	assert.EqualValues(t, 2, e.Frame)
	assert.EqualValues(t, 1, e.Skipped)
	assert.Equal(t, "test: byte 108, frame 2: not a CAN frame: 11 of 12 payload bytes were recorded (1 of the records could not be read)", e.Error())
}

func TestOtherNetworksAreNamed(t *testing.T) {
	var out bytes.Buffer
	w := pcapgo.NewWriter(&out)
	require.NoError(t, w.WriteFileHeader(0, layers.LinkTypeEthernet))
	_, err := readBytes(t, out.Bytes())
	assert.ErrorIs(t, err, capture.ErrLinkType)
	assert.ErrorContains(t, err, "byte 20: not a CAN capture: interface 0 has link type 1; want link type 227")

	f := canbus.New(1)
	can, eth := ngIf(le, 227, "can0"), ngIf(le, 1, "eth0")
	got, err := readBytes(t, ngFile(le, can, eth, ngPacket(le, 0, 0, packetRecord(&f, false)), ngPacket(le, 1, 0, make([]byte, 60))))
	assert.Len(t, got, 1)
	assert.ErrorIs(t, err, capture.ErrLinkType)
	assert.ErrorContains(t, err, `frame 2: not a CAN capture: interface 1 "eth0" has link type 1`)

	_, err = readBytes(t, ngFile(le, can, eth, ngPacket(le, 0, 0, packetRecord(&f, false))))
	assert.NoError(t, err, "an interface of another network without packets does no harm")
}

func TestGzipByContent(t *testing.T) {
	for name, plain := range map[string][]byte{"a.csv": csvOf(t, 100), "b": pcapOf(t, 100), "c.txt": pcapngOf(t, 100)} {
		want, err := readBytes(t, plain)
		require.NoError(t, err)
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, zipped(t, plain), 0o600))
		r, err := capture.Open(path)
		require.NoError(t, err)
		for range 3 {
			got, err := readAll(t, r)
			require.NoError(t, err)
			require.Equal(t, want, got)
			require.NoError(t, r.Rewind())
		}
		require.NoError(t, r.Close())
		assert.ErrorIs(t, r.Next(new(canbus.Frame)), os.ErrClosed)
	}
}

func TestTruncatedGzip(t *testing.T) {
	plain := pcapngOf(t, 5000)
	z := zipped(t, plain)
	got, err := readBytes(t, z[:len(z)/2])
	e := asError(t, err)
	assert.True(t, e.Gzip)
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
	assert.ErrorContains(t, err, "of the decompressed stream")
	require.Greater(t, len(got), 1000)
	// Packet blocks of 48 bytes follow the blocks of section and interface.
	first := int64(len(plain) - 5000*48)
	assert.Equal(t, first+int64(len(got))*48, e.Offset, "the place of the first block that is not whole")

	z[len(z)-5] ^= 1 // the check sum
	got, err = readBytes(t, z)
	assert.Len(t, got, 5000)
	assert.ErrorIs(t, err, gzip.ErrChecksum)

	_, err = readBytes(t, z[:7])
	assert.ErrorContains(t, err, "test: byte 0 of the decompressed stream: gzip header")
}

func TestNotACapture(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"", "test: byte 0: not a readable capture: the input is empty; want pcap, pcapng or CSV"},
		{"\n\r\n", "nothing but empty lines"},
		{"MZ\x90\x00rubbish", `test:1:1: byte 0: not a readable capture: it begins with "MZ\x90\x00rubbish"; want a capture`},
		{"time,id,length,data\n", `test:1:9: byte 0: not a readable capture: column "length"; want each of`},
		{"time,id,time,data\n", `test:1:9: byte 0: not a readable capture: column "time"`},
		{"time,id,dlc\n", `the header is "time,id,dlc"`},
		{"\xD4\xC3\xB2\xA1\x02\x00", "the input ends after 6 of 24 bytes of the pcap file header: unexpected EOF"},
		{"\xD4\xC3\xB2\xA1\x02\x00\x03\x00" + string(make([]byte, 16)), "byte 4: not a readable capture: pcap version 2.3; want version 2.4"},
		{"\x0A\x0D\x0D\x0A\x1C\x00\x00\x00\x4D\x3C\x2B\x1B", "byte 8: not a readable capture: byte-order magic"},
	} {
		_, err := readBytes(t, []byte(c.in))
		asError(t, err)
		assert.ErrorContains(t, err, c.want)
	}
	_, err := capture.Open(filepath.Join(t.TempDir(), "nowhere"))
	assert.ErrorIs(t, err, os.ErrNotExist)
}

func TestRewindNeedsAWayBack(t *testing.T) {
	r, err := capture.NewReader(&plain{pcapOf(t, 1)}, "stream")
	require.NoError(t, err)
	assert.ErrorIs(t, r.Rewind(), capture.ErrRewind)
}

// Cut anywhere: the frames that are whole come first, then the place of the cut.
func TestTruncatedAnywhere(t *testing.T) {
	for name, b := range map[string][]byte{"pcap": pcapOf(t, 5), "pcapng": pcapngOf(t, 5)} {
		all, err := readBytes(t, b)
		require.NoError(t, err)
		ends := recordEnds(b, len(all))
		for cut := 1; cut < len(b); cut++ {
			got, err := readBytes(t, b[:cut])
			whole := 0
			for whole < len(all) && ends[whole] <= cut {
				whole++
			}
			require.Equal(t, whole, len(got), "%s cut at %d", name, cut)
			if whole > 0 && ends[whole-1] == cut {
				require.NoError(t, err)
				continue
			}
			if err == nil {
				require.Contains(t, map[string][]int{"pcap": {24}, "pcapng": {len(b) - 5*48 - 40, len(b) - 5*48}}[name], cut, "a whole header is a whole file")
				continue
			}
			e := asError(t, err)
			require.LessOrEqual(t, e.Offset, int64(cut))
			if whole > 0 {
				require.EqualValues(t, ends[whole-1], e.Offset, "%s cut at %d", name, cut)
				require.ErrorIs(t, err, io.ErrUnexpectedEOF)
			}
		}
	}
}

// recordEnds finds where records of equal size end, counted from the file's end.
func recordEnds(b []byte, n int) []int {
	size := 32
	if b[0] == 0x0A {
		size = 48
	}
	ends := make([]int, n)
	for i := range ends {
		ends[i] = len(b) - (n-1-i)*size
	}
	return ends
}

func zipped(t testing.TB, b []byte) []byte {
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	_, err := w.Write(b)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	return z.Bytes()
}
