package report

import (
	"fmt"
	"sync"

	"sawhorse/canbus/uds"
)

// signals are the bench's names of the parameters of service 01 that are one number.
var signals = [256]string{
	0x04: "load_pct",
	0x05: "coolant_c",
	0x06: "trim_short_1_pct",
	0x07: "trim_long_1_pct",
	0x08: "trim_short_2_pct",
	0x09: "trim_long_2_pct",
	0x0A: "fuel_pressure_kpa",
	0x0B: "map_kpa",
	0x0C: "engine_rpm",
	0x0D: "vehicle_kmh",
	0x0E: "spark_deg",
	0x0F: "intake_air_c",
	0x10: "air_mass_gps",
	0x11: "throttle_pct",
	0x1F: "run_time_s",
	0x21: "distance_mil_km",
	0x22: "rail_pressure_relative_kpa",
	0x23: "rail_pressure_kpa",
	0x2C: "egr_commanded_pct",
	0x2D: "egr_error_pct",
	0x2E: "purge_pct",
	0x2F: "fuel_level_pct",
	0x30: "warm_ups",
	0x31: "distance_clear_km",
	0x32: "evap_pressure_pa",
	0x33: "baro_kpa",
	0x3C: "catalyst_1_c",
	0x3D: "catalyst_2_c",
	0x3E: "catalyst_1_rear_c",
	0x3F: "catalyst_2_rear_c",
	0x42: "battery_v",
	0x43: "load_absolute_pct",
	0x44: "lambda_commanded",
	0x45: "throttle_relative_pct",
	0x46: "ambient_c",
	0x47: "throttle_b_pct",
	0x48: "throttle_c_pct",
	0x49: "pedal_pct",
	0x4A: "pedal_2_pct",
	0x4B: "pedal_3_pct",
	0x4C: "throttle_commanded_pct",
	0x4D: "run_time_mil_min",
	0x4E: "run_time_clear_min",
	0x52: "ethanol_pct",
	0x59: "rail_pressure_absolute_kpa",
	0x5A: "pedal_relative_pct",
	0x5C: "oil_c",
	0x5E: "fuel_rate_lph",
	0x61: "torque_demand_pct",
	0x62: "torque_pct",
	0x63: "torque_reference_nm",
}

// namesOf are the bench's names of a number in a parameter, by its place there; none for
// what has no name. Of an oxygen sensor it depends on PID 13 or 1D which one it is, so
// both names are good.
func namesOf(pid byte, place int) []string {
	if name := signals[pid]; name != "" {
		return []string{name}
	}
	two := func(i byte) string { return fmt.Sprintf("o2_b%ds%d", i/4+1, i%4+1) }
	four := func(i byte) string { return fmt.Sprintf("o2_b%ds%d", i/2+1, i%2+1) }
	switch {
	case pid >= 0x14 && pid <= 0x1B:
		what := [...]string{"_v", "_trim_pct"}[place]
		return []string{two(pid-0x14) + what, four(pid-0x14) + what}
	case pid >= 0x24 && pid <= 0x2B:
		return []string{two(pid-0x24) + [...]string{"_lambda", "_v"}[place]}
	case pid >= 0x34 && pid <= 0x3B:
		return []string{two(pid-0x34) + [...]string{"_lambda", "_ma"}[place]}
	}
	return nil
}

// named reports whether a signal can be read by service 01 at all.
func named(signal string) bool { return allNames()[signal] }

// allNames are the names of all numbers that service 01 can read.
var allNames = sync.OnceValue(func() map[string]bool {
	names := map[string]bool{}
	for id := range 256 {
		p, _ := uds.Parameter(byte(id))
		for i := range p.Values {
			for _, name := range namesOf(byte(id), i) {
				names[name] = true
			}
		}
	}
	return names
})

// monitorNames are the words of a tool's report for the readiness monitors of PID 01
// (spark ignition); what is not here is not reported.
var monitorNames = map[string]string{
	"misfire":                   "misfire",
	"fuel system":               "fuel-system",
	"components":                "components",
	"catalyst":                  "catalyst",
	"heated catalyst":           "heated-catalyst",
	"evaporative system":        "evaporative",
	"secondary air":             "secondary-air",
	"oxygen sensor":             "oxygen-sensor",
	"oxygen sensor heater":      "oxygen-sensor-heater",
	"exhaust gas recirculation": "egr-vvt",
}
