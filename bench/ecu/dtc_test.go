package ecu

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Letters, digits and bytes of SAE J2012 / ISO 15031-6: bits 15-14 the system,
// 13-12 the first digit, then three nibbles (numbers from memory).
func TestCodesInTwoBytes(t *testing.T) {
	for text, bytes := range map[string]DTC{
		"P0102": 0x0102, "P080A": 0x080A, "P0335": 0x0335, "P1234": 0x1234, "P2135": 0x2135, "P3400": 0x3400,
		"C0035": 0x4035, "C1234": 0x5234, "B0001": 0x8001, "B1234": 0x9234, "B3FFF": 0xBFFF,
		"U0073": 0xC073, "U0100": 0xC100, "U3000": 0xF000,
	} {
		d, err := ParseDTC(text)
		require.NoError(t, err)
		assert.Equal(t, bytes, d, text)
		assert.Equal(t, text, d.String())
	}
}

func TestWhatIsNoCode(t *testing.T) {
	for _, text := range []string{"", "P", "P010", "P01022", "X0102", "P4102", "p0102", "P01g2", "P080a", "P 102", "P-102"} {
		_, err := ParseDTC(text)
		assert.ErrorContains(t, err, "no trouble code", text)
	}
}

func TestCodesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := DTC(rapid.Uint16().Draw(t, "code"))
		back, err := ParseDTC(d.String())
		require.NoError(t, err)
		require.Equal(t, d, back)
	})
}
