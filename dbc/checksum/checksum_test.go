package checksum_test

import (
	"encoding/hex"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/dbc/checksum"
)

// The check values are the catalogue's of parametrised CRC algorithms (CRC-8/SAE-J1850
// 0x4B, CRC-8/AUTOSAR 0xDF, CRC-16/IBM-3740 0x29B1), over the ASCII digits 1 to 9. XOR
// and sum have none; theirs follow from the definition: 0x31 ^ ... ^ 0x39 and 0x1DD.
func TestCheckValuesOfTheCatalogue(t *testing.T) {
	for k, want := range map[checksum.Kind]uint16{
		checksum.XOR: 0x31, checksum.Sum: 0xDD,
		checksum.CRC8SAE: 0x4B, checksum.CRC8H2F: 0xDF, checksum.CRC16IBM: 0x29B1,
	} {
		require.Equal(t, want, k.Of([]byte("123456789")), "%s", k)
	}
}

// Worked examples of the AUTOSAR specification of CRC routines, its tables for CRC8,
// CRC8H2F and CRC16 (from memory).
func TestWorkedExamples(t *testing.T) {
	for _, c := range []struct {
		data     string
		sae, h2f uint16
		ibm      uint16
	}{
		{"00000000", 0x59, 0x12, 0x84C0},
		{"f20183", 0x37, 0xC2, 0xD374},
		{"0faa0055", 0x79, 0xC6, 0x2023},
		{"00ff5511", 0xB8, 0x77, 0xB8F9},
		{"332255aabbccddeeff", 0xCB, 0x11, 0xF53F},
		{"926b55", 0x8C, 0x33, 0x0745},
		{"ffffffff", 0x74, 0x6C, 0x1D0F},
	} {
		data, err := hex.DecodeString(c.data)
		require.NoError(t, err)
		require.Equal(t, c.sae, checksum.CRC8SAE.Of(data), c.data)
		require.Equal(t, c.h2f, checksum.CRC8H2F.Of(data), c.data)
		require.Equal(t, c.ibm, checksum.CRC16IBM.Of(data), c.data)
	}
}

// The catalogue's residue: the register, before the final XOR, after a message and its
// own CRC have passed, whatever the message.
func TestResiduesOfTheCatalogue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := rapid.SliceOf(rapid.Byte()).Draw(t, "data")
		for k, residue := range map[checksum.Kind]uint16{
			checksum.CRC8SAE: 0xC4, checksum.CRC8H2F: 0x42, checksum.CRC16IBM: 0,
		} {
			sum := k.Of(data)
			word := append([]byte(nil), data...)
			if k.Width() == 16 {
				word = append(word, byte(sum>>8))
			}
			word = append(word, byte(sum))
			require.Equal(t, residue, k.Add(k.Begin(), word), "%s", k)
		}
	})
}

// A checksum of parts is the checksum of the whole.
func TestPartsMakeTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.SliceOf(rapid.Byte()).Draw(t, "a"), rapid.SliceOf(rapid.Byte()).Draw(t, "b")
		for _, k := range checksum.Kinds() {
			require.Equal(t, k.Of(append(append([]byte(nil), a...), b...)), k.End(k.Add(k.Add(k.Begin(), a), b)))
		}
	})
}

func TestNames(t *testing.T) {
	for _, k := range checksum.Kinds() {
		got, err := checksum.Parse(k.String())
		require.NoError(t, err)
		require.Equal(t, k, got)
		require.Contains(t, []int{8, 16}, k.Width())
	}
	got, err := checksum.Parse("CRC-8/SAE-J1850")
	require.NoError(t, err)
	require.Equal(t, checksum.CRC8SAE, got)
	for _, bad := range []string{"", "crc", "CRC8-J1850"} {
		_, err := checksum.Parse(bad)
		require.ErrorContains(t, err, "want one of xor, sum, crc8-j1850, crc8-2f, crc16-ibm3740")
	}
	require.Equal(t, "checksum kind 99", checksum.Kind(99).String())
	require.Zero(t, checksum.Kind(0).Width())
}

func BenchmarkEightBytes(b *testing.B) {
	data := []byte("12345678")
	for _, k := range checksum.Kinds() {
		b.Run(k.String(), func(b *testing.B) {
			b.ReportAllocs()
			var s uint16
			for b.Loop() {
				s ^= k.Of(data)
			}
			_ = s
		})
	}
}
