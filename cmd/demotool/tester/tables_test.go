package tester

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestPIDTable checks the decoder against the worked examples of SAE J1979
// appendix B; those marked t were confirmed with the tshark 4.0.17 dissector,
// the others are from memory of the standard.
func TestPIDTable(t *testing.T) {
	for _, c := range []struct {
		pid   byte
		data  string
		name  string
		value float64
		tol   float64
	}{
		{0x04, "4D", "load_pct", 30.2, 0.05},                   // t
		{0x05, "7B", "coolant_c", 83, 0},                       // t
		{0x06, "7D", "trim_short_1_pct", -2.34, 0.005},         // t
		{0x08, "7D", "trim_short_2_pct", -2.34, 0.005},         // t
		{0x07, "88", "trim_long_1_pct", 6.25, 0},               // t
		{0x09, "88", "trim_long_2_pct", 6.25, 0},               // t
		{0x0A, "64", "fuel_pressure_kpa", 300, 0},              // t
		{0x0B, "23", "map_kpa", 35, 0},                         // t
		{0x0C, "0970", "engine_rpm", 604, 0},                   // t
		{0x0D, "32", "vehicle_kmh", 50, 0},                     // t
		{0x0E, "94", "spark_deg", 10, 0},                       // t
		{0x0F, "3C", "intake_air_c", 20, 0},                    // t
		{0x10, "0190", "air_mass_gps", 4.00, 0},                // t
		{0x11, "26", "throttle_pct", 14.9, 0.05},               // t
		{0x12, "04", "secondary_air", 4, 0},                    // t
		{0x14, "5A80", "o2_b1s1_v", 0.45, 0},                   // t
		{0x18, "90FF", "o2_b2s1_v", 0.72, 0},                   // t
		{0x1C, "06", "obd_requirement", 6, 0},                  // t
		{0x1F, "012C", "run_time_s", 300, 0},                   // t
		{0x21, "0078", "distance_mil_km", 120, 0},              // t
		{0x22, "0FA0", "rail_pressure_relative_kpa", 316, 0},   // t
		{0x23, "03E8", "rail_pressure_kpa", 10000, 0},          // t
		{0x24, "80003333", "o2_b1s1_lambda", 1.000, 0},         // t
		{0x2C, "33", "egr_commanded_pct", 20, 0},               // t
		{0x2D, "84", "egr_error_pct", 3.1, 0.05},               // t
		{0x2E, "40", "purge_pct", 25.1, 0.05},                  // t
		{0x2F, "A0", "fuel_level_pct", 62.7, 0.05},             // t
		{0x30, "0A", "warm_ups", 10, 0},                        // t
		{0x31, "0199", "distance_clear_km", 409, 0},            // t
		{0x32, "FC18", "evap_pressure_pa", -250, 0},            // t
		{0x33, "65", "baro_kpa", 101, 0},                       // t
		{0x34, "7D708080", "o2_b1s1_lambda", 0.980, 0.0005},    // t
		{0x3C, "1130", "catalyst_1_c", 400, 0},                 // t
		{0x42, "37DC", "battery_v", 14.3, 0},                   // t
		{0x43, "0040", "load_absolute_pct", 25.1, 0.05},        // t
		{0x44, "8000", "lambda_commanded", 1.000, 0},           // t
		{0x45, "0C", "throttle_relative_pct", 4.7, 0.05},       // t
		{0x46, "3C", "ambient_c", 20, 0},                       // t
		{0x47, "26", "throttle_b_pct", 14.9, 0.05},             // t
		{0x49, "27", "pedal_pct", 15.3, 0.05},                  // t
		{0x4A, "14", "pedal_2_pct", 7.8, 0.05},                 // t
		{0x4C, "0C", "throttle_commanded_pct", 4.7, 0.05},      // t
		{0x4D, "003C", "run_time_mil_min", 60, 0},              // t
		{0x4E, "0078", "run_time_clear_min", 120, 0},           // t
		{0x50, "FF000000", "air_mass_max_gps", 2550, 0},        // from memory
		{0x51, "01", "fuel_type", 1, 0},                        // t
		{0x52, "1A", "ethanol_pct", 10.2, 0.05},                // t
		{0x59, "07D0", "rail_pressure_absolute_kpa", 20000, 0}, // t
		{0x5A, "14", "pedal_relative_pct", 7.8, 0.05},          // t
		{0x5C, "82", "oil_c", 90, 0},                           // t
		{0x5E, "0028", "fuel_rate_lph", 2.0, 0},                // t
		{0x61, "8C", "torque_demand_pct", 15, 0},               // t
		{0x62, "8C", "torque_pct", 15, 0},                      // t
		{0x63, "01F4", "torque_reference_nm", 500, 0},          // t
		{0x1E, "00", "power_take_off", 0, 0},                   // from memory
		{0x03, "0200", "fuel_system_1", 2, 0},                  // t
	} {
		t.Run(fmt.Sprintf("%02X", c.pid), func(t *testing.T) {
			d := unhex(c.data)
			require.Equal(t, pidTable[c.pid].size, len(d))
			vs := group{c.pid, d}.decode(false)
			require.NotEmpty(t, vs)
			assert.Equal(t, c.name, vs[0].Name)
			assert.InDelta(t, c.value, vs[0].Value, c.tol+1e-9)
		})
	}
}

func TestSecondValuesOfSensors(t *testing.T) {
	// SAE J1979 PID 24: 80 00 33 33 is lambda 1.000 at 1.600 V (tshark); 34:
	// 7D 70 80 80 is +0.5 mA (tshark).
	assert.Equal(t, Value{Name: "o2_b1s1_v", Unit: "V", Value: 1.59998}, group{0x24, unhex("80003333")}.decode(false)[1])
	assert.Equal(t, Value{Name: "o2_b1s1_ma", Unit: "mA", Value: 0.5}, group{0x34, unhex("7D708080")}.decode(false)[1])
	// 14: 5A 80 has trim 0 %; a trim byte of FF is no trim of 99.2 % but none.
	assert.Equal(t, Value{Name: "o2_b1s1_trim_pct", Unit: "%", Value: 0}, group{0x14, unhex("5A80")}.decode(false)[1])
	assert.Len(t, group{0x14, unhex("90FF")}.decode(false), 1)
}

func TestSensorPlacesFollowTheListThatExists(t *testing.T) {
	// SAE J1979 PID 13: four sensors a bank; PID 1D: two a bank (from memory).
	assert.Equal(t, "o2_b2s1_v", group{0x18, unhex("5A80")}.decode(false)[0].Name)
	assert.Equal(t, "o2_b3s1_v", group{0x18, unhex("5A80")}.decode(true)[0].Name)
	assert.Equal(t, "o2_b1s2_v", group{0x15, unhex("5A80")}.decode(true)[0].Name)
}

func TestFuelSystemTexts(t *testing.T) {
	vs := group{0x03, unhex("0200")}.decode(false)
	assert.Equal(t, "closed loop", vs[0].Text) // tshark: closed
	assert.Equal(t, "not used", vs[1].Text)
}

// TestSupportedMask is the worked example of SAE J1979 service 01 PID 00
// (checked with tshark): BE 3F A8 13.
func TestSupportedMask(t *testing.T) {
	assert.Equal(t, unhex("01030405060 70B0C0D0E0F101113151C1F20"), supported(0, unhex("BE3FA813")))
	// Service 09, types 02 04 06 08 0A: 55 40 00 00.
	assert.Equal(t, unhex("020406080A"), supported(0, unhex("55400000")))
	assert.Equal(t, []byte{0x21, 0x40}, supported(0x20, unhex("80000001")))
	assert.NotContains(t, supported(0xE0, unhex("FFFFFFFF")), byte(0), "the id behind FF does not exist")
}

// TestCodeText has the pairs of SAE J2012 / ISO 15031-6 (computed both ways).
func TestCodeText(t *testing.T) {
	for hex, want := range map[string]string{
		"0102": "P0102", "080A": "P080A", "0335": "P0335", "1234": "P1234", "2135": "P2135", "3400": "P3400",
		"4035": "C0035", "5234": "C1234", "8001": "B0001", "9234": "B1234", "BFFF": "B3FFF",
		"C073": "U0073", "C100": "U0100", "F000": "U3000", "0000": "P0000",
	} {
		b := unhex(hex)
		assert.Equal(t, want, codeText(b[0], b[1]))
	}
}

func TestCountOfCodesIsChecked(t *testing.T) {
	// SAE J1979 service 03 on CAN: 43 02 08 0A 03 35.
	got, err := obdCodes(unhex("02080A0335"))
	require.NoError(t, err)
	assert.Equal(t, []Code{{Code: "P080A"}, {Code: "P0335"}}, got)
	got, err = obdCodes(unhex("00"))
	require.NoError(t, err)
	assert.Equal(t, []Code{}, got, "no codes is a list without codes, not an error")
	got, err = obdCodes(unhex("03080A0335"))
	require.ErrorContains(t, err, "count says 3 codes, the message holds 2")
	assert.Len(t, got, 2)
	_, err = obdCodes(unhex("01080A0335"))
	require.Error(t, err)
	_, err = obdCodes(nil)
	require.Error(t, err)
}

// TestReadiness has the worked examples of SAE J1979 PID 01.
func TestReadiness(t *testing.T) {
	r := readiness(unhex("83076500"))
	assert.True(t, r.MIL)
	assert.Equal(t, 3, r.Count)
	var names []string
	for _, m := range r.Monitors {
		names = append(names, m.Name)
		assert.True(t, m.Ready, m.Name)
	}
	assert.Equal(t, []string{"misfire", "fuel-system", "components", "catalyst", "evaporative", "oxygen-sensor", "oxygen-sensor-heater"}, names)

	after := readiness(unhex("00076565")) // after a clear
	assert.False(t, after.MIL)
	for _, m := range after.Monitors[3:] {
		assert.False(t, m.Ready, m.Name)
	}
	one := readiness(unhex("00076501")) // PID 41: the catalyst has not finished
	assert.Equal(t, Monitor{"catalyst", false}, one.Monitors[3])
	assert.True(t, one.Monitors[4].Ready)
	// Lamp without codes, and codes without lamp, are shown as they are.
	assert.Equal(t, Readiness{MIL: true, Monitors: []Monitor{}}, readiness(unhex("80000000")))
}

// TestUDSCodes is the worked example of ISO 14229-1 service 19 02 (run through
// tshark): P080A with 2F, P0335 with 2C.
func TestUDSCodes(t *testing.T) {
	stored, pending, err := udsCodes(unhex("080A002F0335002C"))
	require.NoError(t, err)
	assert.Equal(t, []Code{{"P080A", "00", "2F"}, {"P0335", "00", "2C"}}, stored)
	assert.Equal(t, stored, pending)
	_, _, err = udsCodes(unhex("080A002F03"))
	require.Error(t, err)
	stored, pending, err = udsCodes(nil)
	require.NoError(t, err)
	assert.Equal(t, []Code{}, stored)
	assert.Equal(t, []Code{}, pending)
}

func TestGroupsOfAnAnswer(t *testing.T) {
	gs, err := walkGroups(unhex("0C0970057B"), 0, unhex("0C05"))
	require.NoError(t, err)
	require.Len(t, gs, 2)
	_, err = walkGroups(unhex("0C0970057B"), 0, unhex("0C"))
	require.ErrorContains(t, err, "05, which was not asked")
	gs, err = walkGroups(unhex("057B0C09"), 0, unhex("0C05"))
	require.ErrorContains(t, err, "0C has 1 bytes of data, expected 2")
	assert.Len(t, gs, 1)
	gs, err = walkGroups(unhex("0C000970"), 1, unhex("0C")) // service 02: 42 0C 00 09 70
	require.NoError(t, err)
	assert.Equal(t, 604.0, gs[0].decode(false)[0].Value)
}

// TestECUName is the worked example of SAE J1979 infotype 0A.
func TestECUName(t *testing.T) {
	var e ECU
	require.NoError(t, takeInfo(&e, infoName, unhex("01 45434D00 2D 456E67696E65436F6E74726F6C0000")))
	assert.Equal(t, "ECM", e.Name)
	assert.Equal(t, "EngineControl", e.Title)
	require.NoError(t, takeInfo(&e, infoVerification, unhex("02 00 12 34 56 DE AD BE EF")))
	assert.Equal(t, []string{"00123456", "DEADBEEF"}, e.Verifications)
	require.Error(t, takeInfo(&e, infoVerification, unhex("02 00 12 34 56")))
	require.Error(t, takeInfo(&e, infoVIN, append([]byte{1}, "TESTCARO123456789"...)), "no letter O in a vehicle number")
	require.NoError(t, takeInfo(&e, infoVIN, append([]byte{1}, "TESTCAR0123456789"...)))
	assert.Equal(t, "TESTCAR0123456789", e.VIN)
	require.Error(t, takeInfo(&e, infoVIN, nil))
}
