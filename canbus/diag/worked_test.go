package diag_test

import (
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus/diag"
)

func bytesOf(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	require.NoError(t, err)
	return b
}

// Parameters of service 01 with the values of SAE J1979:2012 appendix B. The bytes of all
// but 13, 1D, 41 and 4F to 50 were given to a dissector, which read the same values.
func TestEveryParameterIsRead(t *testing.T) {
	for _, line := range strings.Split(strings.TrimSpace(`
01 83 07 65 00 | monitor status since clearing lamp on, 3 codes, spark ignition; complete: misfire, fuel system, components, catalyst, evaporative system, oxygen sensor, oxygen sensor heater
01 00 07 65 65 | monitor status since clearing lamp off, 0 codes, spark ignition; complete: misfire, fuel system, components; not complete: catalyst, evaporative system, oxygen sensor, oxygen sensor heater
02 08 0A | code that stored the freeze frame P080A
02 00 00 | code that stored the freeze frame none
03 02 00 | fuel system status 1 closed loop; 2 not used
04 4D | calculated load 30.2 %
05 7B | coolant temperature 83 degC
06 7D | short term fuel trim bank 1 -2.34 %
07 88 | long term fuel trim bank 1 6.25 %
0A 64 | fuel pressure 300 kPa
0B 23 | intake manifold pressure 35 kPa
0C 09 70 | engine speed 604 rev/min
0C FF FF | engine speed 16383.75 rev/min
0D 32 | vehicle speed 50 km/h
0E 94 | ignition timing advance 10 deg
0F 3C | intake air temperature 20 degC
10 01 90 | air flow rate 4 g/s
11 26 | throttle position 14.9 %
12 04 | secondary air off (04)
13 33 | oxygen sensor locations B1S1 B1S2 B2S1 B2S2
14 5A 80 | oxygen sensor bank 1 sensor 1 0.45 V, trim 0 %
15 90 FF | oxygen sensor bank 1 sensor 2 0.72 V, not used for the trim
1C 06 | OBD requirements EOBD (06)
1D 0F | oxygen sensor locations B1S1 B1S2 B2S1 B2S2
1E 00 | power take-off off
1F 01 2C | time since engine start 300 s
21 00 78 | distance with lamp on 120 km
22 0F A0 | fuel rail pressure above manifold 316 kPa
23 03 E8 | fuel rail pressure 10000 kPa
24 80 00 33 33 | oxygen sensor bank 1 sensor 1 ratio 1, 1.6 V
2C 33 | commanded exhaust gas recirculation 20 %
2D 84 | exhaust gas recirculation error 3.12 %
2E 40 | commanded purge 25.1 %
2F A0 | fuel level 62.75 %
30 0A | warm-ups since clearing 10
31 01 99 | distance since clearing 409 km
32 FC 18 | evaporative system pressure -250 Pa
33 65 | barometric pressure 101 kPa
34 7D 70 80 80 | oxygen sensor bank 1 sensor 1 ratio 0.98, 0.5 mA
3C 11 30 | catalyst temperature bank 1 sensor 1 400 degC
41 00 07 65 01 | monitor status this driving cycle complete: misfire, fuel system, components, evaporative system, oxygen sensor, oxygen sensor heater; not complete: catalyst
42 37 DC | control module voltage 14.3 V
43 00 40 | absolute load 25.1 %
44 80 00 | commanded equivalence ratio 1
45 0C | relative throttle position 4.71 %
46 3C | ambient air temperature 20 degC
49 27 | accelerator pedal position D 15.29 %
4A 14 | accelerator pedal position E 7.84 %
4C 0C | commanded throttle 4.71 %
4D 00 3C | time with lamp on 60 min
4E 00 78 | time since clearing 120 min
50 FF 00 00 00 | maximum air flow rate 2550 g/s
51 01 | fuel type petrol (01)
52 1A | ethanol share 10.2 %
59 07 D0 | absolute fuel rail pressure 20000 kPa
5C 82 | engine oil temperature 90 degC
5E 00 28 | engine fuel rate 2 l/h
61 8C | demanded torque 15 %
63 01 F4 | reference torque 500 N m
00 BE 3F A8 13 | supported 01-20 01 03-07 0B-11 13 15 1C 1F 20`), "\n") {
		data, want, ok := strings.Cut(line, " | ")
		require.True(t, ok, line)
		require.Equal(t, "current data "+want, diag.Explain(bytesOf(t, "41"+data), true), line)
		// The same parameter through ReadDataByIdentifier: F400 to F4FF are those of
		// OBD (ISO 14229-1:2020 table C.1).
		uds := diag.Explain(bytesOf(t, "62 F4"+data), true)
		require.True(t, strings.HasPrefix(uds, "ReadDataByIdentifier "), uds)
	}
	require.Equal(t, "ReadDataByIdentifier engine speed (F40C) 604 rev/min, vehicle speed (F40D) 50 km/h",
		diag.Explain(bytesOf(t, "62 F4 0C 09 70 F4 0D 32"), true))
}

// Whole messages of SAE J1979 and ISO 14229-1 with all that they hold; examples from
// memory unless said.
func TestAnswersAreReadToTheirEnd(t *testing.T) {
	for _, c := range []struct {
		data   string
		answer bool
		want   string
	}{
		// Up to six parameters in a message (SAE J1979 clause 6.1).
		{"01 0C 0D 05", false, "current data engine speed, vehicle speed, coolant temperature"},
		{"41 0C 09 70 0D 32", true, "current data engine speed 604 rev/min, vehicle speed 50 km/h"},
		{"41 0C 09 70 0D 32 05 7B 0F 3C 11 26 10 01 90", true, "current data engine speed 604 rev/min, vehicle speed 50 km/h, coolant temperature 83 degC, intake air temperature 20 degC, throttle position 14.9 %, air flow rate 4 g/s"},
		{"41 0C 09", true, "current data engine speed: 09"},
		{"41 0D 32 B7 01 02", true, "current data vehicle speed 50 km/h, PID B7: 01 02"},
		{"02 0C 00 0D 00", false, "freeze frame 00 engine speed, vehicle speed"},
		{"42 0C 00 09 70", true, "freeze frame 00 engine speed 604 rev/min"},
		{"42 02 00 08 0A 0C 00 09 70 05 00 7B", true, "freeze frame 00 code that stored the freeze frame P080A, engine speed 604 rev/min, coolant temperature 83 degC"},
		{"43 02 08 0A 03 35", true, "confirmed trouble codes ok P080A P0335"},
		{"47 00", true, "pending trouble codes ok none"},
		{"4A 01 C1 00", true, "permanent trouble codes ok U0100"},
		{"06 01", false, "monitor results oxygen sensor bank 1 sensor 1"},
		{"46 01 01 0A 0B B0 0B B0 0B B0 01 05 10 00 48 00 00 00 60", true, "monitor results oxygen sensor bank 1 sensor 1 test 01 0.365 V (0.365 to 0.365) pass; oxygen sensor bank 1 sensor 1 test 05 72 ms (0 to 96) pass"},
		{"46 21 80 01 00 05 00 00 00 04", true, "monitor results catalyst bank 1 test 80 5 (0 to 4) FAIL"},
		{"46 A3 0C 24 00 00 00 00 00 00", true, "monitor results misfire cylinder 2 test 0C not run"},
		{"46 00 C0 00 00 01", true, "monitor results supported 01-20 01 02 20"},
		{"49 00 55 40 00 00", true, "vehicle information supported 02 04 06 08 0A"},
		{"49 04 01 43 41 4C 2D 31 00 00 00 00 00 00 00 00 00 00 00", true, "vehicle information calibration identification CAL-1"},
		{"49 06 02 17 91 BC 82 00 00 12 34", true, "vehicle information calibration verification number 1791BC82, 00001234"},
		{"49 0A 01 45 43 4D 00 2D 45 6E 67 69 6E 65 43 6F 6E 74 72 6F 6C 00 00", true, "vehicle information ECU name ECM EngineControl"},
		{"49 08 02 04 00 05 00", true, "vehicle information in-use performance (spark) OBDCOND 1024, IGNCNTR 1280"},
		{"59 01 FF 01 00 03", true, "ReadDTCInformation reportNumberOfDTCByStatusMask 3 codes, mask " + all + ", format ISO 14229-1"},
		{"59 02 2F", true, "ReadDTCInformation reportDTCByStatusMask none, mask 2F (testFailed testFailedThisOperationCycle pendingDTC confirmedDTC testFailedSinceLastClear)"},
		{"59 02 08 03 35 31 AF 08 0A 00 28", true, "ReadDTCInformation reportDTCByStatusMask P0335-31 status AF (testFailed testFailedThisOperationCycle pendingDTC confirmedDTC testFailedSinceLastClear warningIndicatorRequested), P080A-00 status 28 (confirmedDTC testFailedSinceLastClear), mask 08 (confirmedDTC)"},
		{"59 02 08 03 35 31 08 08 0A 00 08 01 02 16 08 C1 00 87 08", true, "ReadDTCInformation reportDTCByStatusMask P0335-31 status 08, P080A-00 status 08, P0102-16 status 08, U0100-87 status 08, mask 08 (confirmedDTC)"},
		{"59 03 03 35 31 01", true, "ReadDTCInformation reportDTCSnapshotIdentification P0335-31 record 01"},
		{"59 04 03 35 31 24 01 01 F4 0C 09 70", true, "ReadDTCInformation reportDTCSnapshotRecordByDTCNumber P0335-31 status 24 (pendingDTC testFailedSinceLastClear), record 01 of 1 identifiers: F4 0C 09 70"},
		{"19 04 03 35 31 FF", false, "ReadDTCInformation reportDTCSnapshotRecordByDTCNumber P0335-31, all records"},
		{"59 06 03 35 31 00 01 05", true, "ReadDTCInformation reportDTCExtDataRecordByDTCNumber P0335-31 status 00, record 01: 05"},
		{"59 14 03 35 31 7F 01 02 16 80", true, "ReadDTCInformation reportDTCFaultDetectionCounter P0335-31 counter 127, P0102-16 counter -128"},
		{"59 08 FF 20 10 03 35 31 08", true, "ReadDTCInformation reportDTCBySeverityMaskRecord P0335-31 severity 20 unit 10 status 08 (confirmedDTC), mask " + all},
		{"62 F1 87 31 32 33 34 35", true, "ReadDataByIdentifier vehicleManufacturerSparePartNumber (F187) 12345"},
		{"62 12 34 00 01", true, "ReadDataByIdentifier 1234: 00 01"},
	} {
		require.Equal(t, c.want, diag.Explain(bytesOf(t, c.data), c.answer), c.data)
	}
}

const all = "FF (testFailed testFailedThisOperationCycle pendingDTC confirmedDTC testNotCompletedSinceLastClear testFailedSinceLastClear testNotCompletedThisOperationCycle warningIndicatorRequested)"
