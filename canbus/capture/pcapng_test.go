package capture_test

import (
	"encoding/binary"
	"io"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
)

// Blocks as draft-ietf-opsawg-pcapng section 3 and 4 lay them out, built here a
// second time, in both byte orders.
type order = binary.AppendByteOrder

var (
	le order = binary.LittleEndian
	be order = binary.BigEndian
)

func ngBlock(o order, typ uint32, body []byte) []byte {
	for len(body)%4 != 0 {
		body = append(body, 0)
	}
	n := uint32(len(body) + 12)
	b := o.AppendUint32(o.AppendUint32(nil, typ), n)
	return o.AppendUint32(append(b, body...), n)
}

func ngHead(o order) []byte {
	b := o.AppendUint32(nil, 0x1A2B3C4D)
	b = o.AppendUint16(o.AppendUint16(b, 1), 0)
	return ngBlock(o, 0x0A0D0D0A, o.AppendUint64(b, math.MaxUint64))
}

func ngOption(o order, code uint16, v []byte) []byte {
	b := append(o.AppendUint16(o.AppendUint16(nil, code), uint16(len(v))), v...)
	for len(b)%4 != 0 {
		b = append(b, 0)
	}
	return b
}

func ngIf(o order, link uint16, name string, opts ...[]byte) []byte {
	b := o.AppendUint32(o.AppendUint16(o.AppendUint16(nil, link), 0), 0)
	if name != "" {
		b = append(b, ngOption(o, 2, []byte(name))...)
	}
	b = append(b, slices.Concat(opts...)...)
	return ngBlock(o, 1, append(b, 0, 0, 0, 0))
}

func ngPacket(o order, iface uint32, stamp uint64, rec []byte) []byte {
	return ngPacketLen(o, iface, stamp, rec, len(rec))
}

func ngPacketLen(o order, iface uint32, stamp uint64, rec []byte, orig int, opts ...[]byte) []byte {
	b := o.AppendUint32(nil, iface)
	b = o.AppendUint32(o.AppendUint32(b, uint32(stamp>>32)), uint32(stamp))
	b = o.AppendUint32(o.AppendUint32(b, uint32(len(rec))), uint32(orig))
	b = append(b, rec...)
	for len(b)%4 != 0 {
		b = append(b, 0)
	}
	return ngBlock(o, 6, append(b, slices.Concat(opts...)...))
}

// ngFile is a little section: a header and blocks.
func ngFile(o order, blocks ...[]byte) []byte {
	return append(ngHead(o), slices.Concat(blocks...)...)
}

var rec1 = []byte{0, 0, 7, 0xE8, 2, 0, 0, 0, 0xAB, 0xCD}

func TestTimeResolutions(t *testing.T) {
	offset := binary.LittleEndian.AppendUint64(nil, 1_000_000_000)
	before := int64(-3)
	for _, c := range []struct {
		opts  [][]byte
		stamp uint64
		want  time.Duration
	}{
		{nil, 1_700_000_000_123_456, 1_700_000_000_123_456 * time.Microsecond}, // section 4.2: 10^-6 by default
		{[][]byte{ngOption(le, 9, []byte{3})}, 5, 5 * time.Millisecond},
		{[][]byte{ngOption(le, 9, []byte{0})}, 7, 7 * time.Second},
		{[][]byte{ngOption(le, 9, []byte{9})}, 1_700_000_000_123_456_789, 1_700_000_000_123_456_789},
		{[][]byte{ngOption(le, 9, []byte{12})}, 1_999, 1},
		{[][]byte{ngOption(le, 9, []byte{60})}, math.MaxUint64, 0},
		{[][]byte{ngOption(le, 9, []byte{0x80})}, 3, 3 * time.Second},
		{[][]byte{ngOption(le, 9, []byte{0x80 | 10})}, 1024 + 512, 1500 * time.Millisecond},
		{[][]byte{ngOption(le, 9, []byte{0x80 | 32})}, 1_700_000_000<<32 | 1<<31, 1_700_000_000_500_000_000},
		{[][]byte{ngOption(le, 9, []byte{0x80 | 64})}, 1 << 63, 500 * time.Millisecond},
		{[][]byte{ngOption(le, 9, []byte{0x80 | 127})}, math.MaxUint64, 0},
		{[][]byte{ngOption(le, 14, offset)}, 1, 1_000_000_000*time.Second + time.Microsecond},
		{[][]byte{ngOption(le, 14, binary.LittleEndian.AppendUint64(nil, uint64(before)))}, 4_000_000, time.Second},
	} {
		got, err := readBytes(t, ngFile(le, ngIf(le, 227, "", c.opts...), ngPacket(le, 0, c.stamp, rec1)))
		require.NoError(t, err)
		require.Len(t, got, 1)
		assert.Equal(t, c.want, got[0].Time, "%x", c.opts)
	}
}

func TestTimesOutOfRange(t *testing.T) {
	for _, opts := range [][]byte{ngOption(le, 9, []byte{9}), ngOption(le, 9, []byte{6}), ngOption(le, 9, []byte{0x80}), ngOption(le, 9, []byte{0x80 | 20}),
		slices.Concat(ngOption(le, 9, []byte{0x80 | 31}), ngOption(le, 14, binary.LittleEndian.AppendUint64(nil, 9_000_000_000)))} {
		got, err := readBytes(t, ngFile(le, ngIf(le, 227, "", opts), ngPacket(le, 0, math.MaxUint64, rec1), ngPacket(le, 0, 0, rec1)))
		assert.Len(t, got, 1, "the other packet is delivered")
		assert.ErrorContains(t, err, "frame 1: not a readable capture: a time beyond the year 2262")
	}
	_, err := readBytes(t, ngFile(le, ngIf(le, 227, "x", ngOption(le, 14, binary.LittleEndian.AppendUint64(nil, math.MaxInt64)))))
	assert.ErrorContains(t, err, `interface 0 "x" has a time offset of more than 292 years`)
}

// Sections in both byte orders, interfaces with their own units, blocks without
// use, enhanced, simple and obsolete packets: all in one file.
func TestSectionsAndBlocks(t *testing.T) {
	nano := []byte{9}
	obsolete := func(o order, iface uint16, stamp uint64) []byte {
		b := o.AppendUint16(o.AppendUint16(nil, iface), 17)
		b = o.AppendUint32(o.AppendUint32(b, uint32(stamp>>32)), uint32(stamp))
		b = append(o.AppendUint32(o.AppendUint32(b, uint32(len(rec1))), uint32(len(rec1))), rec1...)
		b = append(b, 0, 0)
		return ngBlock(o, 2, append(b, ngOption(o, 1, []byte("old"))...))
	}
	simple := func(o order) []byte { return ngBlock(o, 3, append(o.AppendUint32(nil, uint32(len(rec1))), rec1...)) }
	huge := ngBlock(le, 0x0BAD, make([]byte, 3<<20)) // more than any buffer
	file := slices.Concat(
		ngFile(le, ngIf(le, 227, "drive", ngOption(le, 9, nano)), ngIf(le, 1, "eth"), ngIf(le, 227, "body"),
			ngPacket(le, 2, 1_000_000, rec1), huge, ngPacket(le, 0, 3_000_000_000, rec1), simple(le)),
		ngFile(be, ngBlock(be, 5, make([]byte, 12)), ngIf(be, 227, "body"), ngIf(be, 227, "third", ngOption(be, 9, nano)),
			ngPacket(be, 0, 4_000_000, rec1), obsolete(be, 1, 5_000_000_000), simple(be)),
		ngFile(le, ngIf(le, 227, "drive"), obsolete(le, 0, 6_000_000)),
	)
	r, err := capture.NewReader(&plain{file}, "test")
	require.NoError(t, err)
	got, err := readAll(t, r)
	require.NoError(t, err)
	assert.Equal(t, []string{"drive", "body", "third"}, r.Buses())
	type row struct {
		bus     uint8
		at      time.Duration
		comment string
	}
	var rows []row
	for _, f := range got {
		require.Equal(t, canbus.New(0x7E8, 0xAB, 0xCD).Data, f.Data)
		rows = append(rows, row{f.Bus, f.Time, f.Comment})
	}
	s := time.Second
	assert.Equal(t, []row{{1, 1 * s, ""}, {0, 3 * s, ""}, {0, 3 * s, ""}, {1, 4 * s, ""}, {2, 5 * s, "old"}, {1, 5 * s, ""}, {0, 6 * s, "old"}}, rows)
}

func TestInterfacesOfOneNameStayApart(t *testing.T) {
	r, err := capture.NewReader(&plain{ngFile(le, ngIf(le, 227, "can0"), ngIf(le, 227, "can0"), ngPacket(le, 1, 0, rec1))}, "test")
	require.NoError(t, err)
	got, err := readAll(t, r)
	require.NoError(t, err)
	assert.EqualValues(t, 1, got[0].Bus)
	assert.Equal(t, []string{"can0", "can0"}, r.Buses())
}

// Damage inside a block is passed over; damage of the framing ends reading.
func TestPcapNGDamage(t *testing.T) {
	can, good := ngIf(le, 227, "c"), ngPacket(le, 0, 0, rec1)
	head := len(ngFile(le, can, good))
	breakAt := func(b []byte, at int, v byte) []byte { c := slices.Clone(b); c[at] = v; return c }
	xl := slices.Clone(rec1)
	xl[4] = 0x80
	wide := slices.Clone(rec1)
	wide[1] = 1
	for _, c := range []struct {
		name  string
		bad   []byte
		ends  bool
		words string
	}{
		{"trailer", breakAt(good, len(good)-4, 0), true, "has length 0 at its end; want the same length"},
		{"length", breakAt(good, 4, 45), true, "a packet block of 45 bytes; want a multiple of 4 from 32 to 1048576"},
		{"huge", breakAt(good, 7, 0x10), true, "a packet block of"},
		{"unknown block", []byte{7, 7, 0, 0, 8, 0, 0, 0, 8, 0, 0, 0}, true, "block type 707 of 8 bytes"},
		{"unknown trailer", breakAt(ngBlock(le, 0x707, nil), 8, 9), true, "has length 9 at its end"},
		{"captured", breakAt(good, 20, 60), false, "60 captured bytes in a block with room for 12"},
		{"interface", breakAt(good, 8, 9), false, "a packet of interface 9, which no block describes"},
		{"short record", ngPacket(le, 0, 0, rec1[:5]), false, "packet record of 5 bytes, want 8 or more"},
		{"CAN XL", ngPacket(le, 0, 0, xl), false, "a CAN XL frame"},
		{"identifier", ngPacket(le, 0, 0, wide), false, "needs more than 11 bits"},
		{"version", breakAt(ngHead(le), 12, 2), true, "pcapng version 2.0; want version 1"},
	} {
		got, err := readBytes(t, ngFile(le, can, good, c.bad, good))
		e := asError(t, err)
		assert.ErrorContains(t, err, c.words, c.name)
		want := 2
		if c.ends {
			want = 1
		}
		assert.Len(t, got, want, c.name)
		assert.LessOrEqual(t, int64(head), e.Offset, c.name)
		assert.Less(t, e.Offset, int64(head+16), c.name)
	}
}

// A reader that breaks is told from a file that ends.
func TestReadErrors(t *testing.T) {
	for name, b := range map[string][]byte{"pcap": pcapOf(t, 9), "pcapng": pcapngOf(t, 9), "csv": csvOf(t, 9)} {
		r, err := capture.NewReader(&broken{b}, "pipe")
		require.NoError(t, err)
		got, err := readAll(t, r)
		assert.ErrorIs(t, err, io.ErrClosedPipe, name)
		assert.EqualValues(t, len(b), asError(t, err).Offset, name)
		assert.Len(t, got, 9, name)
	}
	_, err := capture.NewReader(&broken{}, "pipe")
	assert.ErrorIs(t, err, io.ErrClosedPipe)
	_, err = capture.NewReader(lazy{}, "pipe")
	assert.ErrorIs(t, err, io.ErrNoProgress)
}

type broken struct{ b []byte }

func (p *broken) Read(b []byte) (int, error) {
	if len(p.b) == 0 {
		return 0, io.ErrClosedPipe
	}
	n := copy(b, p.b)
	p.b = p.b[n:]
	return n, nil
}

type lazy struct{}

func (lazy) Read([]byte) (int, error) { return 0, nil }
