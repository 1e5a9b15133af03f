package canbus_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
)

// ISO 11898-1:2015 table 5: data length codes and the bytes they mean in CAN FD.
func TestDataLengthCodes(t *testing.T) {
	lengths := []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64}
	for dlc, n := range lengths {
		assert.Equal(t, n, canbus.LengthOf(uint8(dlc)))
		assert.Equal(t, uint8(dlc), canbus.DLC(n))
	}
	for n := range 65 { // the smallest code that holds n
		dlc := canbus.DLC(n)
		assert.GreaterOrEqual(t, canbus.LengthOf(dlc), n)
		if dlc > 0 {
			assert.Less(t, canbus.LengthOf(dlc-1), n)
		}
	}
	assert.Equal(t, uint8(15), canbus.DLC(65))
}

func TestValidate(t *testing.T) {
	const (
		ext, rtr, err, fd = canbus.Extended, canbus.Remote, canbus.Error, canbus.FD
		brs, esi          = canbus.BitRateSwitch, canbus.ErrorPassive
	)
	for _, c := range []struct {
		name string
		f    canbus.Frame
		want string // part of the error; "" for a good frame
	}{
		{"empty", canbus.Frame{}, ""},
		{"largest base identifier", canbus.Frame{ID: 0x7FF, Len: 8}, ""},
		{"base identifier of 12 bits", canbus.Frame{ID: 0x800}, "identifier 800 needs more than 11 bits"},
		{"largest extended identifier", canbus.Frame{ID: 0x1FFFFFFF, Flags: ext}, ""},
		{"identifier of 30 bits", canbus.Frame{ID: 0x20000000, Flags: ext}, "more than 29 bits"},
		{"nine bytes", canbus.Frame{Len: 9}, "9 data bytes in a classical frame"},
		{"remote", canbus.Frame{Flags: rtr, Len: 8}, ""},
		{"remote extended", canbus.Frame{Flags: rtr | ext, ID: 0x800}, ""},
		{"raw code 9", canbus.Frame{Len: 8, RawDLC: 9}, ""},
		{"raw code 15", canbus.Frame{Len: 8, RawDLC: 15}, ""},
		{"raw code 8", canbus.Frame{Len: 8, RawDLC: 8}, "raw data length code 8"},
		{"raw code 16", canbus.Frame{Len: 8, RawDLC: 16}, "raw data length code 16"},
		{"raw code with 7 bytes", canbus.Frame{Len: 7, RawDLC: 9}, "want 9..15 with 8"},
		{"BRS on a classical frame", canbus.Frame{Flags: brs}, "BRS or ESI"},
		{"ESI on a classical frame", canbus.Frame{Flags: esi}, "BRS or ESI"},
		{"FD", canbus.Frame{Flags: fd | brs | esi | ext, Len: 64}, ""},
		{"FD of 9 bytes", canbus.Frame{Flags: fd, Len: 9}, "9 data bytes is no CAN FD length"},
		{"FD of 65 bytes", canbus.Frame{Flags: fd, Len: 65}, "65 data bytes"},
		{"FD remote", canbus.Frame{Flags: fd | rtr}, "no remote frames"},
		{"error report", canbus.Frame{Flags: err, ID: 0x1FFFFFFF, Len: 8}, ""},
		{"error report of 4 bytes", canbus.Frame{Flags: err, ID: 4, Len: 4}, "4 bytes, want 8"},
		{"FD error report", canbus.Frame{Flags: err | fd, ID: 4, Len: 8}, "CAN FD"},
	} {
		got := c.f.Validate()
		if c.want == "" {
			assert.NoError(t, got, c.name)
			continue
		}
		require.ErrorIs(t, got, canbus.ErrFrame, c.name)
		assert.ErrorContains(t, got, c.want, c.name)
	}
	for n := range 65 {
		f := canbus.Frame{Flags: fd, Len: uint8(n)}
		fits := strings.Contains(" 0 1 2 3 4 5 6 7 8 12 16 20 24 32 48 64 ", " "+itoa(n)+" ")
		assert.Equal(t, fits, f.Validate() == nil, "%d bytes", n)
	}
}

func itoa(n int) string {
	if n < 10 {
		return string(rune('0' + n))
	}
	return itoa(n/10) + itoa(n%10)
}

func TestKeysTellTheFormatsApart(t *testing.T) {
	base, ext := canbus.New(0x123), canbus.NewExtended(0x123)
	assert.NotEqual(t, base.Key(), ext.Key())
	assert.Equal(t, "123", base.Key().String())
	assert.Equal(t, "00000123", ext.Key().String())
	assert.Equal(t, "007", canbus.KeyOf(7, false).String())
	rapid.Check(t, func(t *rapid.T) {
		id := canbus.ID(rapid.Uint32Max(uint32(canbus.MaxExtendedID)).Draw(t, "id"))
		extended := rapid.Bool().Draw(t, "extended")
		if k := canbus.KeyOf(id, extended); k.ID() != id || k.Extended() != extended {
			t.Fatalf("%v", k)
		}
	})
}

func TestConstructors(t *testing.T) {
	f := canbus.NewFD(0x18DA00F1, canbus.Extended|canbus.BitRateSwitch, make([]byte, 48)...)
	assert.True(t, f.Has(canbus.FD|canbus.Extended|canbus.BitRateSwitch))
	assert.False(t, f.Has(canbus.FD|canbus.ErrorPassive))
	assert.Len(t, f.Payload(), 48)
	assert.Panics(t, func() { canbus.New(0x800) })
	assert.Panics(t, func() { canbus.New(1, make([]byte, 9)...) })
	assert.Panics(t, func() { canbus.NewFD(1, 0, make([]byte, 9)...) })
	assert.Panics(t, func() { canbus.NewFD(1, 0, make([]byte, 300)...) }, "beyond what Len holds")
	remote := canbus.Frame{ID: 1, Flags: canbus.Remote, Len: 4}
	assert.Empty(t, remote.Payload(), "a remote frame has a length and no data")
}

func TestFramesReadWell(t *testing.T) {
	f := canbus.New(0x7E8, 4, 0x41, 0x0C)
	assert.Equal(t, "7E8 [3] 04 41 0C", f.String())
	f = canbus.NewFD(0x18DAF110, canbus.Extended, 1)
	assert.Equal(t, "18DAF110 fd [1] 01", f.String())
	f = canbus.Frame{ID: 0x10, Flags: canbus.Remote, Len: 4}
	assert.Equal(t, "010 remote 4", f.String())
	f = canbus.Frame{ID: 0x40, Flags: canbus.Error, Len: 8}
	assert.Equal(t, "error 00000040 [8] 00 00 00 00 00 00 00 00", f.String())
}
