package server

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// Bytes and values of SAE J1979 appendix B; the rows without a note were also
// run through an independent dissector (tshark 4.0.17) with this result.
func TestCurrentDataHasTheStandardsBytes(t *testing.T) {
	for _, c := range []struct {
		set  string
		v    float64
		pid  string
		data string
	}{
		{"fuel_system_1", 2, "03", "02 00"},
		{"load_pct", 30.2, "04", "4D"},
		{"coolant_c", 83, "05", "7B"},
		{"trim_short_1_pct", -2.34, "06", "7D"},
		{"trim_long_1_pct", 6.25, "07", "88"},
		{"trim_short_2_pct", -2.34, "08", "7D"},
		{"trim_long_2_pct", 6.25, "09", "88"},
		{"map_kpa", 35, "0B", "23"},
		{"engine_rpm", 604, "0C", "09 70"},
		{"vehicle_kmh", 50, "0D", "32"},
		{"spark_deg", 10, "0E", "94"},
		{"intake_air_c", 20, "0F", "3C"},
		{"air_mass_gps", 4, "10", "01 90"},
		{"throttle_v", 0.149 * 5, "11", "26"},
		{"o2_b1s1_v", 0.45, "14", "5A 80"},
		{"o2_b1s2_v", 0.72, "15", "90 FF"},
		{"run_time_s", 300, "1F", "01 2C"},
		{"purge_pct", 25.1, "2E", "40"},
		{"fuel_level_pct", 62.7, "2F", "A0"},
		{"baro_kpa", 101, "33", "65"},
		{"catalyst_1_c", 400, "3C", "11 30"},
		{"battery_v", 14.3 - 0.004, "42", "37 D8"}, // 14.296: the row's 37 DC is 14.300
		{"battery_v", 14.3, "42", "37 DC"},
		{"load_absolute_pct", 25.1, "43", "00 40"},
		{"lambda_commanded", 1, "44", "80 00"},
		{"throttle_relative_pct", 4.7, "45", "0C"},
		{"ambient_c", 20, "46", "3C"},
		{"pedal_v", 0.153 * 5, "49", "27"},
		{"pedal_2_v", 0.078 * 5, "4A", "14"},
		{"throttle_commanded_pct", 4.7, "4C", "0C"},
		{"oil_c", 90, "5C", "82"},
		{"fuel_rate_lph", 2, "5E", "00 28"},
		{"torque_pct", 15, "62", "8C"},
	} {
		r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
		r.plant.Set(c.set, c.v)
		assert.Equal(t, "41 "+c.pid+" "+c.data, r.call("01"+c.pid), "%s %g", c.set, c.v)
		assert.Equal(t, "62 F4 "+c.pid+" "+c.data, r.ask("22F4"+c.pid), "the same under UDS (SAE J1979-2)")
	}
}

// Values beyond the range of a PID stop at its end (SAE J1979: ranges).
func TestValuesStopAtTheEndOfTheirRange(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.plant.Set("coolant_c", -80)
	assert.Equal(t, "41 05 00", r.call("0105"))
	r.plant.Set("coolant_c", 400)
	assert.Equal(t, "41 05 FF", r.call("0105"))
	r.plant.Set("engine_rpm", 20000)
	assert.Equal(t, "41 0C FF FF", r.call("010C"))
}

// Example of the coding of supported ids (SAE J1979; checked with tshark):
// 41 00 BE 3F A8 13 has 01 03..07 0B..10 11 13 15 1C 1F 20.
func TestSupportedMaskCoding(t *testing.T) {
	have := map[byte]bool{}
	for _, id := range []byte{1, 3, 4, 5, 6, 7, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x21} {
		have[id] = true
	}
	has := func(id byte) bool { return have[id] }
	assert.EqualValues(t, 0xBE3FA813, supported(0x00, has))
	assert.EqualValues(t, 0x80000000, supported(0x20, has))
	assert.Zero(t, supported(0x40, has))
	assert.Zero(t, supported(0xE0, has))
	info := func(id byte) bool { return strings.IndexByte("\x02\x04\x06\x08\x0A", id) >= 0 }
	assert.EqualValues(t, 0x55400000, supported(0x00, info), "49 00 55 40 00 00")
}

// The minimum sensible set of one engine unit has masks BE 3F B9 93, 80 07 A0 11
// and FE DC 80 14; this one has 02, 08, 09, 22, 32, 4F, 50, 5A, 62 and 63 besides.
func TestEngineUnitsMasks(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Equal(t, "41 00 FF BF B9 93", r.call("0100"))
	assert.Equal(t, "41 20 C0 07 E0 19 40 FE DF 80 55", r.call("01 20 40"))
	assert.Equal(t, "41 60 E0 00 00 00", r.call("0160"))
	assert.Equal(t, "", r.call("0180"))
	assert.Equal(t, "49 00 55 40 00 00", r.call("0900"))
}

func TestRulesOfEmissionRequests(t *testing.T) {
	for _, c := range []struct{ name, req, want string }{
		{"six PIDs, supported ones answered", "01 05 0C 99 0D 9A 0F", "41 05 7B 0C 00 00 0D 00 0F 3C"},
		{"unsupported PID", "01 99", ""},
		{"unsupported service", "05 00", ""},
		{"no PID", "01", ""},
		{"seven PIDs", "01 05 0C 0D 0E 0F 10 11", ""},
		{"supported range mixed with data", "01 00 0C", ""},
		{"supported ranges together", "01 00 60", "41 00 FF BF B9 93 60 E0 00 00 00"},
		{"freeze frame without one", "02 0C 00", ""},
		{"its code without one", "02 02 00", "42 02 00 00 00"},
		{"freeze frame supported PIDs", "02 00 00", "42 00 00 7F BF 80 03"},
		{"freeze frame 01 does not exist", "02 02 01", ""},
		{"half a pair", "02 02", ""},
		{"four pairs", "02 02 00 0C 00 05 00 0D 00", ""},
		{"no codes", "03", "43 00"},
		{"no pending codes", "07", "47 00"},
		{"no permanent codes", "0A", "4A 00"},
		{"codes with a stray byte", "03 00", ""},
		{"unsupported infotype", "09 0B", ""},
		{"two infotypes", "09 02 04", ""},
		{"VIN", "09 02", "49 02 01 30 50 54 34 38 56 4D 36 30 52 31 30 30 30 30 34 38"},
		{"two calibration ids", "09 04", "49 04 02 50 54 34 38 56 38 4D 36 2D 45 4E 47 30 31 30 37 50 54 34 38 56 38 4D 36 2D 44 49 41 30 31 30 33"},
		{"ECU name, the standard's own example bytes", "09 0A", "49 0A 01 45 43 4D 00 2D 45 6E 67 69 6E 65 43 6F 6E 74 72 6F 6C 00 00"},
		{"an answer is no request", "41 0C 00 00", ""},
	} {
		r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
		assert.Equal(t, c.want, r.call(c.req), "functional: %s", c.name)
		assert.Equal(t, c.want == "", r.ask(c.req) == "" || c.req[:2] == "05", "physical: %s", c.name)
	}
}

// Worked examples of SAE J1979 layouts: two codes in service 03, and a clear
// refused while the engine runs.
func TestCodesAndClear(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.fail("P080A")
	r.fail("P0335")
	assert.Equal(t, "43 02 08 0A 03 35", r.call("03"))
	assert.Equal(t, "41 01 82 07 65 00", r.call("0101"), "lamp on, two codes")
	r.plant.Set("engine_running", 1)
	assert.Equal(t, "7F 04 22", r.call("04"))
	assert.Equal(t, "43 02 08 0A 03 35", r.call("03"), "refused: still there")
	r.plant.Set("engine_running", 0)
	assert.Equal(t, []string{"7F 04 78", "44"}, r.answers(true, "04", time.Second), "pending, then done")
	assert.Equal(t, "43 00", r.call("03"))
	assert.Equal(t, "47 00", r.call("07"))
	assert.Equal(t, "4A 01 03 35", r.call("0A"), "the permanent code stays")
	assert.Equal(t, "41 01 00 07 65 65", r.call("0101"), "after a clear nothing is ready")
}

// The verification number is computed on request: 7F 09 78 first.
func TestSlowVerificationNumber(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Equal(t, []string{"7F 09 78", "49 06 02 5A 17 C0 D4 1E 93 B2 6F"}, r.answers(true, "09 06", 2*time.Second))
}

// fail makes the monitor of a code fail for as long as its debounce wants.
func (r *rig) fail(code string) { r.test(code, true) }
func (r *rig) pass(code string) { r.test(code, false) }

func (r *rig) test(code string, failed bool) {
	r.t.Helper()
	ref, ok := r.mem.Ref(code)
	if !ok {
		r.t.Fatalf("no code %s", code)
	}
	c := &r.spec.Codes[ref]
	for end := r.now + max(c.Fail.Duration(), c.Pass.Duration()) + 20*time.Millisecond; r.now < end; {
		r.mem.Test(ref, r.now, failed)
		r.wait(10 * time.Millisecond)
	}
}
