package diag_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus/diag"
)

// Worked examples of ISO 15031-5 / SAE J1979, ISO 14229-1 and SAE J2012 (layouts
// checked with tshark's dissectors, values from memory).
func TestMessagesAreRead(t *testing.T) {
	for _, c := range []struct {
		data   []byte
		answer bool
		want   string
	}{
		{[]byte{0x03}, false, "confirmed trouble codes"},
		{[]byte{0x43, 2, 0x08, 0x0A, 0x03, 0x35}, true, "confirmed trouble codes ok P080A P0335"},
		{[]byte{0x43, 0}, true, "confirmed trouble codes ok none"},
		{[]byte{0x43, 3, 0x08, 0x0A}, true, "confirmed trouble codes ok P080A (the count says 3)"},
		{[]byte{0x47}, true, "pending trouble codes ok without a count"},
		{[]byte{0x7F, 0x04, 0x22}, true, "clear refused: conditionsNotCorrect (22)"},
		{[]byte{0x7F, 0x31, 0x78}, true, "RoutineControl refused: requestCorrectlyReceived-ResponsePending (78)"},
		{[]byte{0x7F, 0x31}, true, "negative response of 2 bytes"},
		{[]byte{0x10, 0x03}, false, "DiagnosticSessionControl 03"},
		{[]byte{0x50, 0x03, 0, 0x32, 1, 0xF4}, true, "DiagnosticSessionControl ok 03 00 32 01 F4"},
		{[]byte{0x59, 0x02, 0xFF, 0x08, 0x0A, 0x00, 0x2F, 0x03, 0x35, 0x00, 0x2C}, true,
			"ReadDTCInformation ok 02 P080A-00 status 2F, P0335-00 status 2C"},
		{[]byte{0x19, 0x02, 0x09}, false, "ReadDTCInformation 02 09"},
		{append([]byte{0x49, 2, 1}, "TESTCAR0123456789"...), true, "vehicle information ok VIN TESTCAR0123456789"},
		{[]byte{0x3E, 0x80}, false, "TesterPresent without answer"},
		{[]byte{0xBA}, false, "service BA"},
		{[]byte{0x12}, true, "no answer: 12"},
		{nil, false, "nothing"},
	} {
		require.Equal(t, c.want, diag.Message(c.data, c.answer))
	}
}

func FuzzMessage(f *testing.F) {
	f.Add([]byte{0x59, 0x02, 0xFF, 1, 2, 3}, true)
	f.Add([]byte{0x19}, false)
	f.Fuzz(func(t *testing.T, data []byte, answer bool) {
		require.NotEmpty(t, diag.Message(data, answer))
	})
}
