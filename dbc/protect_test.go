package dbc_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/dbc"
	"sawhorse/dbc/checksum"
)

func guarded(t require.TestingT, kind checksum.Kind, start int, big bool, sum dbc.Checksum) *dbc.Codec {
	sum.Kind = kind
	c, err := dbc.Compile(&dbc.Message{Key: 0x1A2, Name: "Guarded", Length: 8, Signals: []*dbc.Signal{
		{Name: "Count", Start: 4, Length: 4, Factor: 1, Counter: &dbc.Counter{Modulus: 15}},
		{Name: "Check", Start: start, Length: kind.Width(), BigEndian: big, Factor: 1, Checksum: &sum},
	}})
	require.NoError(t, err)
	return c
}

// The bytes that a checksum covers and their order, each against the checksum of the
// bytes written out by hand.
func TestChecksumsCoverTheRest(t *testing.T) {
	data := [64]byte{0x10, 0x21, 0x32, 0x43, 0x54, 0x65, 0x76, 0x87}
	for _, c := range []struct {
		kind  checksum.Kind
		start int
		big   bool
		sum   dbc.Checksum
		cover []byte
		place []int // bytes of the checksum, the most significant first
	}{
		{checksum.XOR, 56, false, dbc.Checksum{}, []byte{0x10, 0x21, 0x32, 0x43, 0x54, 0x65, 0x76}, []int{7}},
		{checksum.CRC8SAE, 8, false, dbc.Checksum{}, []byte{0x10, 0x32, 0x43, 0x54, 0x65, 0x76, 0x87}, []int{1}},
		{checksum.CRC8H2F, 63, true, dbc.Checksum{ID: true}, []byte{0x01, 0xA2, 0x10, 0x21, 0x32, 0x43, 0x54, 0x65, 0x76}, []int{7}},
		{checksum.Sum, 16, false, dbc.Checksum{DataID: []byte{0x00, 0xAB}}, []byte{0x00, 0xAB, 0x10, 0x21, 0x43, 0x54, 0x65, 0x76, 0x87}, []int{2}},
		{checksum.CRC16IBM, 55, true, dbc.Checksum{ID: true, DataID: []byte{7}}, []byte{0x01, 0xA2, 7, 0x10, 0x21, 0x32, 0x43, 0x54, 0x65}, []int{6, 7}},
		{checksum.CRC16IBM, 48, false, dbc.Checksum{}, []byte{0x10, 0x21, 0x32, 0x43, 0x54, 0x65}, []int{7, 6}},
	} {
		codec := guarded(t, c.kind, c.start, c.big, c.sum)
		f := codec.Frame()
		f.Data = data
		codec.Seal(&f)
		want := data
		sum := c.kind.Of(c.cover)
		for i, at := range c.place {
			want[at] = byte(sum >> (8 * (len(c.place) - 1 - i)))
		}
		require.Equal(t, want, f.Data, "%+v", c)
		_, _, ok := codec.Verify(&f)
		require.True(t, ok)
	}
}

// The 29 bits of an extended identifier go first as four bytes.
func TestChecksumOverAnExtendedIdentifier(t *testing.T) {
	c, err := dbc.Compile(&dbc.Message{Key: 0x18DAF110 | 1<<31, Length: 2, Signals: []*dbc.Signal{
		{Name: "Check", Length: 8, Factor: 1, Checksum: &dbc.Checksum{Kind: checksum.XOR, ID: true}},
	}})
	require.NoError(t, err)
	f := c.Frame()
	f.Data[1] = 5
	c.Seal(&f)
	require.EqualValues(t, 0x18^0xDA^0xF1^0x10^5, f.Data[0])
}

// No change of a single bit goes unseen by any kind: a property of each by its
// definition (sum and XOR see any one bit, CRCs any burst up to their width).
func TestOneWrongBitIsSeen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom(checksum.Kinds()).Draw(t, "kind")
		c := guarded(t, kind, 40, false, dbc.Checksum{ID: true})
		f := c.Frame()
		f.Data = drawData(t, 8)
		c.Seal(&f)
		at := rapid.IntRange(0, 63).Draw(t, "bit")
		f.Data[at/8] ^= 1 << (at % 8)
		signal, want, ok := c.Verify(&f)
		require.False(t, ok)
		require.Equal(t, 1, signal)
		c.SetRaw(&f, signal, want)
		_, _, ok = c.Verify(&f)
		require.True(t, ok)
	})
}

func TestCounters(t *testing.T) {
	c := guarded(t, checksum.XOR, 56, false, dbc.Checksum{})
	require.Equal(t, []int{0}, c.Counters())
	require.Equal(t, []int{1}, c.Checksums())
	f := c.Frame()
	f.Data[0] = 0x0C // neighbours stay
	for n := range uint64(40) {
		require.Equal(t, n%15, c.Raw(&f, 0))
		require.EqualValues(t, 0x0C, f.Data[0]&0x0F)
		c.Advance(&f, 1)
	}
	c.Count(&f, 1_000_000)
	require.EqualValues(t, 1_000_000%15, c.Raw(&f, 0))
	c.Advance(&f, 14) // one step back
	require.EqualValues(t, (1_000_000-1)%15, c.Raw(&f, 0))
	c.SetRaw(&f, 0, 15) // beyond the modulus, as a fault may leave it
	c.Advance(&f, 1)
	require.EqualValues(t, 1, c.Raw(&f, 0))
}

// A counter of 64 bits runs over.
func TestWideCounter(t *testing.T) {
	c := one(t, &dbc.Signal{Name: "N", Length: 64, Counter: &dbc.Counter{}})
	f := c.Frame()
	c.Count(&f, 1<<64-1)
	c.Advance(&f, 2)
	require.EqualValues(t, 1, c.Raw(&f, 0))
}

// Counter and checksum of a multiplexed message act in the frames that hold them alone.
func TestRolesUnderASwitch(t *testing.T) {
	m := nested()
	m.Signals[0].Counter = &dbc.Counter{Modulus: 256}                    // Left: Page 1, Sub 2 to 4 or 8
	m.Signals[5].Checksum = &dbc.Checksum{Kind: checksum.XOR, ID: false} // Always
	c, err := dbc.Compile(m)
	require.NoError(t, err)
	f := c.Frame()
	f.Data[0], f.Data[1], f.Data[2] = 1, 5, 9
	c.Advance(&f, 1)
	require.EqualValues(t, 9, f.Data[2], "not its frame")
	f.Data[1] = 2
	c.Advance(&f, 1)
	require.EqualValues(t, 10, f.Data[2])
	c.Seal(&f)
	require.EqualValues(t, 1^2^10, f.Data[7])
}
