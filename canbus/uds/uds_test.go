package uds_test

import (
	"encoding/hex"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus/uds"
)

// Names and numbers of ISO 14229-1:2020 table 2 and annex A.1 (a dissector's tables have
// the same).
func TestServicesAndRefusalsHaveTheStandardsNames(t *testing.T) {
	for sid, want := range map[uds.Service]string{
		0x10: "DiagnosticSessionControl", 0x11: "ECUReset", 0x14: "ClearDiagnosticInformation", 0x19: "ReadDTCInformation",
		0x22: "ReadDataByIdentifier", 0x23: "ReadMemoryByAddress", 0x24: "ReadScalingDataByIdentifier", 0x27: "SecurityAccess",
		0x28: "CommunicationControl", 0x2A: "ReadDataByPeriodicIdentifier", 0x2C: "DynamicallyDefineDataIdentifier",
		0x2E: "WriteDataByIdentifier", 0x2F: "InputOutputControlByIdentifier", 0x31: "RoutineControl", 0x34: "RequestDownload",
		0x35: "RequestUpload", 0x36: "TransferData", 0x37: "RequestTransferExit", 0x38: "RequestFileTransfer",
		0x3D: "WriteMemoryByAddress", 0x3E: "TesterPresent", 0x84: "SecuredDataTransmission", 0x85: "ControlDTCSetting",
		0x86: "ResponseOnEvent", 0x87: "LinkControl", 0xBA: "service BA", 0xFF: "service FF", 0x05: "service 05",
	} {
		assert.Equal(t, want, sid.String())
	}
	for nrc, want := range map[uds.NRC]string{
		0x11: "serviceNotSupported", 0x12: "subFunctionNotSupported", 0x13: "incorrectMessageLengthOrInvalidFormat",
		0x21: "busyRepeatRequest", 0x22: "conditionsNotCorrect", 0x24: "requestSequenceError", 0x31: "requestOutOfRange",
		0x33: "securityAccessDenied", 0x35: "invalidKey", 0x36: "exceedNumberOfAttempts", 0x37: "requiredTimeDelayNotExpired",
		0x78: "requestCorrectlyReceived-ResponsePending", 0x7E: "subFunctionNotSupportedInActiveSession",
		0x7F: "serviceNotSupportedInActiveSession", 0x83: "engineIsRunning", 0x8F: "brakeSwitch(es)NotClosed", 0xF0: "code F0",
	} {
		assert.Equal(t, want, nrc.String())
	}
	for sid, subs := range map[uds.Service]map[byte]string{
		0x10: {0x03: "extendedDiagnosticSession"}, 0x27: {0x01: "requestSeed", 0x42: "sendKey"},
		0x19: {0x02: "reportDTCByStatusMask", 0x42: "reportWWHOBDDTCByMaskRecord", 0x7F: ""},
		0x31: {0x00: "", 0x01: "startRoutine", 0x04: ""}, 0x22: {0x01: ""}, 0x3E: {0x00: "zeroSubFunction"},
	} {
		for sub, want := range subs {
			assert.Equal(t, want, sid.SubFunction(sub), "%s %02X", sid, sub)
		}
	}
}

// Which services have a sub-function: ISO 14229-1:2020 table 2, and 83 of the edition
// before.
func TestWhichServicesHaveASubFunction(t *testing.T) {
	var have []string
	for sid := range 256 {
		if uds.Service(sid).HasSubFunction() {
			have = append(have, fmt.Sprintf("%02X", sid))
		}
	}
	assert.Equal(t, "10 11 19 27 28 29 2C 31 3E 83 85 86 87", strings.Join(have, " "))
}

// Worked messages of ISO 14229-1 (checked with a dissector): 7F 22 78, 7F 31 37, 50 03.
func TestAnswers(t *testing.T) {
	assert.Equal(t, []byte{0x7F, 0x22, 0x78}, uds.Refuse(uds.ReadDataByIdentifier, uds.ResponsePending))
	assert.Equal(t, []byte{0x7F, 0x31, 0x37}, uds.Refuse(uds.RoutineControl, uds.RequiredTimeDelayNotExpired))
	assert.Equal(t, byte(0x50), uds.DiagnosticSessionControl.Positive())
	assert.True(t, uds.ControlDTCSetting.IsRequest())
	assert.False(t, uds.Service(0x50).IsRequest())
	assert.True(t, uds.PermanentCodes.IsOBD())
	assert.False(t, uds.DiagnosticSessionControl.IsOBD())
}

// ISO 14229-1:2013 clause 7.5 for those unsaid; annex A.1 for those of conditions.
func TestKindsOfRefusals(t *testing.T) {
	var unsaid, conditions []string
	for n := range 256 {
		if uds.NRC(n).UnsaidToAll() {
			unsaid = append(unsaid, fmt.Sprintf("%02X", n))
		}
		if uds.NRC(n).IsCondition() {
			conditions = append(conditions, fmt.Sprintf("%02X", n))
		}
	}
	assert.Equal(t, "11 12 31 7E 7F", strings.Join(unsaid, " "))
	assert.Equal(t, "22 81 82 83 84 85 86 87 88 89 8A 8B 8C 8D 8E 8F 90 91 92 93 94", strings.Join(conditions, " "))
}

// Letters, digits and bytes of SAE J2012 / ISO 15031-6 (numbers from memory).
func TestCodesInTwoBytes(t *testing.T) {
	for text, code := range map[string]uds.DTC{
		"P0102": 0x0102, "P0113": 0x0113, "P080A": 0x080A, "P0335": 0x0335, "P1234": 0x1234, "P2135": 0x2135, "P3400": 0x3400,
		"C0035": 0x4035, "C1234": 0x5234, "B0001": 0x8001, "B1234": 0x9234, "B3FFF": 0xBFFF,
		"U0073": 0xC073, "U0100": 0xC100, "U3000": 0xF000,
	} {
		d, err := uds.ParseDTC(text)
		require.NoError(t, err)
		assert.Equal(t, code, d, text)
		assert.Equal(t, text, uds.CodeOf(byte(code>>8), byte(code)).String())
	}
}

func TestWhatIsNoCode(t *testing.T) {
	for _, text := range []string{"", "P", "P010", "P01022", "X0102", "P4102", "p0102", "P01g2", "P080a", "P 102", "P-102"} {
		_, err := uds.ParseDTC(text)
		assert.ErrorContains(t, err, "no trouble code", text)
	}
}

func TestCodesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := uds.DTC(rapid.Uint16().Draw(t, "code"))
		back, err := uds.ParseDTC(d.String())
		require.NoError(t, err)
		require.Equal(t, d, back)
	})
}

// ISO 14229-1:2020 annex D.2: 2F is a code that failed and is confirmed, 50 one that was
// cleared and not tested since.
func TestStatusBits(t *testing.T) {
	assert.Equal(t, "testFailed testFailedThisOperationCycle pendingDTC confirmedDTC testFailedSinceLastClear", strings.Join(uds.StatusBits(0x2F), " "))
	assert.Equal(t, "testNotCompletedSinceLastClear testNotCompletedThisOperationCycle", strings.Join(uds.StatusBits(0x50), " "))
	assert.Empty(t, uds.StatusBits(0))
}

// Worked values of SAE J1979:2012 appendix B: bytes and what they stand for, to the
// digits given. All but 4F and 50 were given to a dissector, which read the same.
func TestParametersAreScaled(t *testing.T) {
	for _, line := range strings.Split(strings.TrimSpace(`
04 4D 30.2 %
05 7B 83 degC
06 7D -2.34 %
07 88 6.25 %
0A 64 300 kPa
0B 23 35 kPa
0C 0970 604 rev/min
0D 32 50 km/h
0E 94 10 deg
0F 3C 20 degC
10 0190 4.00 g/s
11 26 14.9 %
14 5A80 0.45 V 0 %
1F 012C 300 s
21 0078 120 km
22 0FA0 316 kPa
23 03E8 10000 kPa
24 80003333 1.000 - 1.600 V
2C 33 20 %
2D 84 3.1 %
2E 40 25.1 %
2F A0 62.7 %
30 0A 10 -
31 0199 409 km
32 FC18 -250 Pa
33 65 101 kPa
34 7D708080 0.980 - 0.5 mA
3C 1130 400 degC
42 37DC 14.3 V
43 0040 25.1 %
44 8000 1.000 -
45 0C 4.7 %
46 3C 20 degC
49 27 15.3 %
4C 0C 4.7 %
4D 003C 60 min
4E 0078 120 min
4F 00000000 0 - 0 V 0 mA 0 kPa
50 FF000000 2550 g/s
52 1A 10.2 %
59 07D0 20000 kPa
5C 82 90 degC
5E 0028 2.0 l/h
61 8C 15 %
63 01F4 500 N m`), "\n") {
		part := strings.SplitN(line, " ", 3)
		id, data := unhex(t, part[0])[0], unhex(t, part[1])
		p, ok := uds.Parameter(id)
		require.True(t, ok, line)
		require.Equal(t, p.Size, len(data), line)
		rest := part[2]
		for i := range p.Values {
			v := &p.Values[i]
			number, after, _ := strings.Cut(rest, " ")
			unit := v.Unit
			if unit == "" {
				unit = "-"
			}
			require.True(t, strings.HasPrefix(after, unit), "%s: unit %q", line, unit)
			rest = strings.TrimPrefix(strings.TrimPrefix(after, unit), " ")
			_, digits, _ := strings.Cut(number, ".")
			want, err := strconv.ParseFloat(number, 64)
			require.NoError(t, err, line)
			require.InDelta(t, want, v.Decode(data), 0.5*math.Pow10(-len(digits))+1e-9, line)
		}
		require.Empty(t, rest, line)
	}
}

// SAE J1979 service 06: 0BB0 in scaling 0A is 0.365 V, 0048 in 10 is 72 ms; 16 begins
// at -40; from 80 on values are signed (from memory).
func TestResultsAreScaled(t *testing.T) {
	for _, c := range []struct {
		uas  byte
		raw  uint16
		want float64
		unit string
	}{{0x0A, 0x0BB0, 0.365024, "V"}, {0x10, 0x0048, 72, "ms"}, {0x16, 0x0190, 0, "degC"}, {0x81, 0xFFFF, -1, ""}, {0x01, 0xFFFF, 65535, ""}} {
		s, ok := uds.ScalingOf(c.uas)
		require.True(t, ok)
		assert.InDelta(t, c.want, s.Value(c.raw), 1e-9, "%02X", c.uas)
		assert.Equal(t, c.unit, s.Unit)
	}
	_, ok := uds.ScalingOf(0x7F)
	assert.False(t, ok)
}

// SAE J1979 appendix B: 83 07 65 01 is lamp on, three codes, misfire, fuel and components
// ready, catalyst open, evaporative system, oxygen sensor and its heater ready.
func TestMonitorsOfReadiness(t *testing.T) {
	data := []byte{0x83, 0x07, 0x65, 0x01}
	var ready, open []string
	for _, m := range uds.MonitorsOf(uds.Compression(data)) {
		switch there, complete := m.In(data); {
		case there && complete:
			ready = append(ready, m.Name)
		case there:
			open = append(open, m.Name)
		}
	}
	assert.Equal(t, "misfire, fuel system, components, evaporative system, oxygen sensor, oxygen sensor heater", strings.Join(ready, ", "))
	assert.Equal(t, []string{"catalyst"}, open)
	assert.True(t, uds.Compression([]byte{0, 0x08, 0, 0}))
}

// SAE J1979 appendices D and G (from memory); ISO 14229-1 table C.1, as a dissector has it.
func TestMonitorsInfotypesAndIdentifiers(t *testing.T) {
	for mid, want := range map[byte]string{
		0x01: "oxygen sensor bank 1 sensor 1", 0x05: "oxygen sensor bank 2 sensor 1", 0x10: "oxygen sensor bank 4 sensor 4",
		0x21: "catalyst bank 1", 0x34: "exhaust gas recirculation bank 4", 0x38: "valve timing bank 4", 0x3B: "evaporative system 0.040 in",
		0x41: "oxygen sensor heater bank 1 sensor 1", 0x74: "secondary air 4", 0xA1: "misfire", 0xA2: "misfire cylinder 1",
		0xAD: "misfire cylinder 12", 0xAE: "monitor AE", 0x11: "monitor 11", 0x00: "monitor 00",
	} {
		assert.Equal(t, want, uds.TestedMonitor(mid))
	}
	assert.Equal(t, "VIN", uds.InfotypeName(uds.InfoVIN))
	assert.Equal(t, "ECU name", uds.InfotypeName(0x0A))
	assert.Empty(t, uds.InfotypeName(0x77))
	assert.Equal(t, "EGRCOMP", uds.InUseCounter(10))
	assert.Empty(t, uds.InUseCounter(20))
	assert.Equal(t, "VIN", uds.IdentifierName(uds.VIN))
	assert.Equal(t, "ActiveDiagnosticSession", uds.IdentifierName(0xF186))
	assert.Equal(t, "entity", uds.IdentifierName(0xF19F))
	assert.Empty(t, uds.IdentifierName(0xF1A0))
	assert.Empty(t, uds.IdentifierName(0x1234))
	assert.Equal(t, "ISO 14229-1", uds.FormatName(uds.FormatISO14229))
	assert.Empty(t, uds.FormatName(9))
}

func unhex(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(text)
	require.NoError(t, err)
	return b
}
