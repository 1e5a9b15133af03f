package diag_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus/diag"
)

// Worked messages of ISO 14229-1 and SAE J1979 (values from memory; the names of data
// identifiers checked with a dissector's table).
func TestMessagesAreExplainedInTheStandardsTerms(t *testing.T) {
	for _, c := range []struct {
		data   []byte
		answer bool
		want   string
	}{
		{[]byte{0x10, 0x03}, false, "DiagnosticSessionControl extendedDiagnosticSession"},
		{[]byte{0x50, 0x03, 0, 0x32, 1, 0xF4}, true, "DiagnosticSessionControl extendedDiagnosticSession, P2 50 ms, P2* 5000 ms"},
		{[]byte{0x3E, 0x80}, false, "TesterPresent zeroSubFunction, no positive response wanted"},
		{[]byte{0x22, 0xF1, 0x90, 0xF1, 0x86}, false, "ReadDataByIdentifier VIN (F190), ActiveDiagnosticSession (F186)"},
		{append([]byte{0x62, 0xF1, 0x90}, "TESTCAR0123456789"...), true, "ReadDataByIdentifier VIN (F190) TESTCAR0123456789"},
		{[]byte{0x22, 0xF4, 0x0C}, false, "ReadDataByIdentifier engine speed (F40C)"},
		{[]byte{0x22, 0x12, 0x34}, false, "ReadDataByIdentifier 1234"},
		{[]byte{0x31, 0x01, 0x02, 0x10}, false, "RoutineControl startRoutine 0210"},
		{[]byte{0x71, 0x03, 0x02, 0x10, 0x00}, true, "RoutineControl requestRoutineResults 0210: 00"},
		{[]byte{0x27, 0x01}, false, "SecurityAccess requestSeed 01"},
		{[]byte{0x27, 0x02, 0xAB, 0xCD}, false, "SecurityAccess sendKey 02: AB CD"},
		{[]byte{0x14, 0xFF, 0xFF, 0xFF}, false, "ClearDiagnosticInformation all groups"},
		{[]byte{0x19, 0x02, 0x09}, false, "ReadDTCInformation reportDTCByStatusMask mask 09 (testFailed confirmedDTC)"},
		{[]byte{0x59, 0x02, 0xFF, 0x08, 0x0A, 0x00, 0x2F}, true, "ReadDTCInformation reportDTCByStatusMask P080A-00 status 2F (testFailed testFailedThisOperationCycle pendingDTC confirmedDTC testFailedSinceLastClear), mask FF (testFailed testFailedThisOperationCycle pendingDTC confirmedDTC testNotCompletedSinceLastClear testFailedSinceLastClear testNotCompletedThisOperationCycle warningIndicatorRequested)"},
		{[]byte{0x01, 0x0C, 0x05}, false, "current data engine speed, coolant temperature"},
		{[]byte{0x41, 0x0C, 0x1A, 0xF8}, true, "current data engine speed 1726 rev/min"},
		{[]byte{0x41, 0x05, 0x7B}, true, "current data coolant temperature 83 degC"},
		{[]byte{0x02, 0x05, 0x00}, false, "freeze frame 00 coolant temperature"},
		{append([]byte{0x49, 2, 1}, "TESTCAR0123456789"...), true, "vehicle information VIN TESTCAR0123456789"},
		{[]byte{0x09, 0x04}, false, "vehicle information calibration identification"},
		{[]byte{0x7F, 0x31, 0x83}, true, "RoutineControl refused: engineIsRunning (83)"},
		{[]byte{0x7F, 0x31, 0x78}, true, "RoutineControl: requestCorrectlyReceived-ResponsePending (78)"},
		{[]byte{0x04}, false, "clear"},
		{[]byte{0xBA, 0x01}, false, "service BA 01"},
	} {
		require.Equal(t, c.want, diag.Explain(c.data, c.answer))
	}
}

func FuzzExplain(f *testing.F) {
	f.Add([]byte{0x22, 0xF1, 0x90}, false)
	f.Add([]byte{0x41, 0x0C, 0x1A}, true)
	f.Add([]byte{0x59, 0x02, 0xFF, 1, 2, 3}, true)
	f.Fuzz(func(t *testing.T, data []byte, answer bool) {
		require.NotEmpty(t, diag.Explain(data, answer))
	})
}
