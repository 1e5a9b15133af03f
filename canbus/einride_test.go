package canbus_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.einride.tech/can"
	"pgregory.net/rapid"

	"sawhorse/canbus"
)

// The library's own text form of a frame is what both must mean.
func TestConversionMeansTheSame(t *testing.T) {
	for _, c := range []struct {
		f    canbus.Frame
		text string // as go.einride.tech/can writes and reads it
	}{
		{canbus.New(0x7DF, 0x02, 0x01, 0x0C), "7DF#02010C"},
		{canbus.NewExtended(0x18DB33F1, 0x3E, 0x80), "18DB33F1#3E80"},
		{canbus.New(0), "000#"},
		{canbus.Frame{ID: 0x123, Flags: canbus.Remote, Len: 8}, "123#R8"},
	} {
		var want can.Frame
		require.NoError(t, want.UnmarshalString(c.text))
		got, err := c.f.ToEinride()
		require.NoError(t, err)
		assert.Equal(t, want, got, c.text)
		assert.Equal(t, c.text, got.String())
		back := canbus.Frame{Time: time.Second, Bus: 3, Data: [64]byte{60: 1}, RawDLC: 9}
		require.NoError(t, back.FromEinride(want))
		assert.Equal(t, time.Second, back.Time, "left alone")
		assert.Equal(t, uint8(3), back.Bus, "left alone")
		back.Time, back.Bus = 0, 0
		assert.Equal(t, c.f, back)
	}
}

func TestWhatDoesNotConvert(t *testing.T) {
	for _, f := range []canbus.Frame{
		canbus.NewFD(0x123, 0, 1),
		{ID: 4, Flags: canbus.Error, Len: 8},
	} {
		_, err := f.ToEinride()
		require.ErrorIs(t, err, canbus.ErrFrame)
	}
	for _, c := range []can.Frame{
		{ID: 0x800},
		{ID: 0x20000000, IsExtended: true},
		{ID: 1, Length: 9},
	} {
		var f canbus.Frame
		require.ErrorIs(t, f.FromEinride(c), canbus.ErrFrame)
	}
}

func TestEinrideRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawFrame(t)
		f.RawDLC = 0 // the library has no place for it
		c, err := f.ToEinride()
		if f.Flags&(canbus.FD|canbus.Error) != 0 {
			if err == nil {
				t.Fatalf("%s converts", f.String())
			}
			return
		}
		if err != nil || c.Validate() != nil {
			t.Fatalf("%v %v", err, c.Validate())
		}
		var back canbus.Frame
		if err := back.FromEinride(c); err != nil {
			t.Fatal(err)
		}
		if back != f {
			t.Fatalf("%s came back as %s", f.String(), back.String())
		}
	})
}
