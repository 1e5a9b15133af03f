package report

import "fmt"

// value is one number in the data of a PID: n bytes at an offset, big-endian.
type value struct {
	name           string
	at, n          int
	factor, offset float64
	signed         bool
}

func (v *value) decode(d []byte) float64 {
	x := 0
	for _, b := range d[v.at : v.at+v.n] {
		x = x<<8 | int(b)
	}
	if v.signed && x >= 1<<(8*v.n-1) {
		x -= 1 << (8 * v.n)
	}
	return float64(float64(x)*v.factor) + v.offset
}

// pid is one identifier of service 01.
type pid struct {
	size   int
	values []value
}

// pids are the identifiers of service 01 with their scalings (SAE J1979 appendix B),
// by the bench's names of signals. What has no name here only has its length.
var pids = func() map[byte]pid {
	const percent, trim, ratio = 100.0 / 255, 100.0 / 128, 2.0 / 65536
	t := map[byte]pid{0x01: {size: 4}, 0x02: {size: 2}, 0x03: {size: 2}, 0x41: {size: 4}, 0x4F: {size: 4}, 0x50: {size: 4}}
	for base := 0; base < 0x100; base += 0x20 {
		t[byte(base)] = pid{size: 4}
	}
	for _, id := range []byte{0x12, 0x13, 0x1C, 0x1D, 0x1E, 0x51} { // coded states
		t[id] = pid{size: 1}
	}
	for _, r := range []struct {
		id             byte
		size           int
		name           string
		factor, offset float64
	}{
		{0x04, 1, "load_pct", percent, 0}, {0x05, 1, "coolant_c", 1, -40},
		{0x06, 1, "trim_short_1_pct", trim, -100}, {0x07, 1, "trim_long_1_pct", trim, -100},
		{0x08, 1, "trim_short_2_pct", trim, -100}, {0x09, 1, "trim_long_2_pct", trim, -100},
		{0x0A, 1, "fuel_pressure_kpa", 3, 0}, {0x0B, 1, "map_kpa", 1, 0}, {0x0C, 2, "engine_rpm", 0.25, 0},
		{0x0D, 1, "vehicle_kmh", 1, 0}, {0x0E, 1, "spark_deg", 0.5, -64}, {0x0F, 1, "intake_air_c", 1, -40},
		{0x10, 2, "air_mass_gps", 0.01, 0}, {0x11, 1, "throttle_pct", percent, 0}, {0x1F, 2, "run_time_s", 1, 0},
		{0x21, 2, "distance_mil_km", 1, 0}, {0x22, 2, "rail_pressure_relative_kpa", 0.079, 0},
		{0x23, 2, "rail_pressure_kpa", 10, 0}, {0x2C, 1, "egr_commanded_pct", percent, 0},
		{0x2D, 1, "egr_error_pct", trim, -100}, {0x2E, 1, "purge_pct", percent, 0}, {0x2F, 1, "fuel_level_pct", percent, 0},
		{0x30, 1, "warm_ups", 1, 0}, {0x31, 2, "distance_clear_km", 1, 0}, {0x33, 1, "baro_kpa", 1, 0},
		{0x3C, 2, "catalyst_1_c", 0.1, -40}, {0x3D, 2, "catalyst_2_c", 0.1, -40},
		{0x3E, 2, "catalyst_1_rear_c", 0.1, -40}, {0x3F, 2, "catalyst_2_rear_c", 0.1, -40},
		{0x42, 2, "battery_v", 0.001, 0}, {0x43, 2, "load_absolute_pct", percent, 0}, {0x44, 2, "lambda_commanded", ratio, 0},
		{0x45, 1, "throttle_relative_pct", percent, 0}, {0x46, 1, "ambient_c", 1, -40},
		{0x47, 1, "throttle_b_pct", percent, 0}, {0x48, 1, "throttle_c_pct", percent, 0},
		{0x49, 1, "pedal_pct", percent, 0}, {0x4A, 1, "pedal_2_pct", percent, 0}, {0x4B, 1, "pedal_3_pct", percent, 0},
		{0x4C, 1, "throttle_commanded_pct", percent, 0}, {0x4D, 2, "run_time_mil_min", 1, 0}, {0x4E, 2, "run_time_clear_min", 1, 0},
		{0x52, 1, "ethanol_pct", percent, 0}, {0x59, 2, "rail_pressure_absolute_kpa", 10, 0}, {0x5A, 1, "pedal_relative_pct", percent, 0},
		{0x5C, 1, "oil_c", 1, -40}, {0x5E, 2, "fuel_rate_lph", 0.05, 0}, {0x61, 1, "torque_demand_pct", 1, -125},
		{0x62, 1, "torque_pct", 1, -125}, {0x63, 2, "torque_reference_nm", 1, 0},
	} {
		t[r.id] = pid{r.size, []value{{r.name, 0, r.size, r.factor, r.offset, false}}}
	}
	t[0x32] = pid{2, []value{{"evap_pressure_pa", 0, 2, 0.25, 0, true}}}
	for i := range byte(8) {
		// Which sensor it is depends on PID 13 or 1D, so both names are good.
		two, four := fmt.Sprintf("o2_b%ds%d", i/4+1, i%4+1), fmt.Sprintf("o2_b%ds%d", i/2+1, i%2+1)
		t[0x14+i] = pid{2, []value{{two + "_v", 0, 1, 0.005, 0, false}, {four + "_v", 0, 1, 0.005, 0, false},
			{two + "_trim_pct", 1, 1, trim, -100, false}, {four + "_trim_pct", 1, 1, trim, -100, false}}}
		t[0x24+i] = pid{4, []value{{two + "_lambda", 0, 2, ratio, 0, false}, {two + "_v", 2, 2, 8.0 / 65536, 0, false}}}
		t[0x34+i] = pid{4, []value{{two + "_lambda", 0, 2, ratio, 0, false}, {two + "_ma", 2, 2, 1.0 / 256, -128, false}}}
	}
	return t
}()

// named reports whether a signal can be read by service 01 at all.
func named(signal string) bool {
	for _, p := range pids {
		for i := range p.values {
			if p.values[i].name == signal {
				return true
			}
		}
	}
	return false
}

// monitors are the names of the monitors of PID 01, by bit: three continuous ones and
// eight others (SAE J1979, spark ignition).
var (
	continuous = [3]string{"misfire", "fuel-system", "components"}
	others     = [8]string{"catalyst", "heated-catalyst", "evaporative", "secondary-air", "", "oxygen-sensor", "oxygen-sensor-heater", "egr-vvt"}
)

// codeText writes a two-byte code (SAE J2012).
func codeText(hi, lo byte) string {
	return fmt.Sprintf("%c%d%X%02X", "PCBU"[hi>>6], hi>>4&3, hi&0xF, lo)
}
