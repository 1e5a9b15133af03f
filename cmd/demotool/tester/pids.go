package tester

import (
	"fmt"
	"math"
)

// Value is one decoded reading of service 01 or 02.
type Value struct {
	// Name is lower case with the unit where it has one, as engine_rpm.
	Name string `json:"name"`
	// Value is in Unit.
	Value float64 `json:"value"`
	// Unit is the unit's symbol, "" for a plain number or a coded state.
	Unit string `json:"unit"`
	// Text says what a coded state means.
	Text string `json:"text,omitempty"`
}

// pid is one row of SAE J1979 appendix B (service 01 data).
type pid struct {
	id     byte
	size   int
	decode func(d []byte) []Value
}

const (
	pidMonitors    = 0x01
	pidFreezeCode  = 0x02
	pidCoolant     = 0x05
	pidEngineSpeed = 0x0C
	pidVehicle     = 0x0D
	pidO2In4Banks  = 0x1D
	pidVoltage     = 0x42
)

// notUsedForTrim marks an oxygen sensor that takes no part in the trim
// (SAE J1979, PIDs 14..1B byte B).
const notUsedForTrim = 0xFF

var pidTable = buildPIDs()

func buildPIDs() map[byte]pid {
	t := map[byte]pid{}
	add := func(id byte, size int, decode func([]byte) []Value) {
		t[id] = pid{id: id, size: size, decode: decode}
	}
	one := func(id byte, name, unit string, factor, offset float64) {
		add(id, 1, linear(name, unit, factor, offset))
	}
	two := func(id byte, name, unit string, factor, offset float64) {
		add(id, 2, linear(name, unit, factor, offset))
	}
	const percent, trim, ratio = 100.0 / 255, 100.0 / 128, 2.0 / 65536
	add(0x03, 2, fuelSystems)
	one(0x04, "load_pct", "%", percent, 0)
	one(pidCoolant, "coolant_c", "degC", 1, -40)
	one(0x06, "trim_short_1_pct", "%", trim, -100)
	one(0x07, "trim_long_1_pct", "%", trim, -100)
	one(0x08, "trim_short_2_pct", "%", trim, -100)
	one(0x09, "trim_long_2_pct", "%", trim, -100)
	one(0x0A, "fuel_pressure_kpa", "kPa", 3, 0)
	one(0x0B, "map_kpa", "kPa", 1, 0)
	two(pidEngineSpeed, "engine_rpm", "rpm", 0.25, 0)
	one(pidVehicle, "vehicle_kmh", "km/h", 1, 0)
	one(0x0E, "spark_deg", "deg", 0.5, -64)
	one(0x0F, "intake_air_c", "degC", 1, -40)
	two(0x10, "air_mass_gps", "g/s", 0.01, 0)
	one(0x11, "throttle_pct", "%", percent, 0)
	add(0x12, 1, coded("secondary_air", secondaryAirTexts))
	one(0x13, "o2_sensors", "", 1, 0)
	for i := byte(0); i < 8; i++ {
		add(0x14+i, 2, o2Narrow(sensorOf2Banks(i)))
		add(0x24+i, 4, o2WideVolts(sensorOf2Banks(i)))
		add(0x34+i, 4, o2WideCurrent(sensorOf2Banks(i)))
	}
	add(0x1C, 1, coded("obd_requirement", requirementTexts))
	one(pidO2In4Banks, "o2_sensors", "", 1, 0)
	add(0x1E, 1, func(d []byte) []Value { return []Value{{Name: "power_take_off", Value: float64(d[0] & 1)}} })
	two(0x1F, "run_time_s", "s", 1, 0)
	two(0x21, "distance_mil_km", "km", 1, 0)
	two(0x22, "rail_pressure_relative_kpa", "kPa", 0.079, 0)
	two(0x23, "rail_pressure_kpa", "kPa", 10, 0)
	one(0x2C, "egr_commanded_pct", "%", percent, 0)
	one(0x2D, "egr_error_pct", "%", trim, -100)
	one(0x2E, "purge_pct", "%", percent, 0)
	one(0x2F, "fuel_level_pct", "%", percent, 0)
	one(0x30, "warm_ups", "", 1, 0)
	two(0x31, "distance_clear_km", "km", 1, 0)
	add(0x32, 2, evapPressure)
	one(0x33, "baro_kpa", "kPa", 1, 0)
	two(0x3C, "catalyst_1_c", "degC", 0.1, -40)
	two(0x3D, "catalyst_2_c", "degC", 0.1, -40)
	two(0x3E, "catalyst_1_rear_c", "degC", 0.1, -40)
	two(0x3F, "catalyst_2_rear_c", "degC", 0.1, -40)
	two(pidVoltage, "battery_v", "V", 0.001, 0)
	two(0x43, "load_absolute_pct", "%", percent, 0)
	two(0x44, "lambda_commanded", "", ratio, 0)
	one(0x45, "throttle_relative_pct", "%", percent, 0)
	one(0x46, "ambient_c", "degC", 1, -40)
	one(0x47, "throttle_b_pct", "%", percent, 0)
	one(0x48, "throttle_c_pct", "%", percent, 0)
	one(0x49, "pedal_pct", "%", percent, 0)
	one(0x4A, "pedal_2_pct", "%", percent, 0)
	one(0x4B, "pedal_3_pct", "%", percent, 0)
	one(0x4C, "throttle_commanded_pct", "%", percent, 0)
	two(0x4D, "run_time_mil_min", "min", 1, 0)
	two(0x4E, "run_time_clear_min", "min", 1, 0)
	add(0x4F, 4, maxima)
	add(0x50, 4, func(d []byte) []Value { return linear("air_mass_max_gps", "g/s", 10, 0)(d[:1]) })
	add(0x51, 1, coded("fuel_type", fuelTexts))
	one(0x52, "ethanol_pct", "%", percent, 0)
	two(0x59, "rail_pressure_absolute_kpa", "kPa", 10, 0)
	one(0x5A, "pedal_relative_pct", "%", percent, 0)
	one(0x5C, "oil_c", "degC", 1, -40)
	two(0x5E, "fuel_rate_lph", "l/h", 0.05, 0)
	one(0x61, "torque_demand_pct", "%", 1, -125)
	one(0x62, "torque_pct", "%", 1, -125)
	two(0x63, "torque_reference_nm", "N m", 1, 0)
	// Read by their own decoders, but their lengths are needed to walk an answer.
	add(pidMonitors, 4, nil)
	add(pidFreezeCode, 2, nil)
	add(0x41, 4, nil)
	for p := 0; p < 0x100; p += 0x20 {
		add(byte(p), 4, nil)
	}
	return t
}

// linear reads a big-endian number and scales it.
func linear(name, unit string, factor, offset float64) func([]byte) []Value {
	return func(d []byte) []Value {
		return []Value{{Name: name, Unit: unit, Value: round(float64(float64(number(d))*factor) + offset)}}
	}
}

func number(d []byte) uint32 {
	var n uint32
	for _, b := range d {
		n = n<<8 | uint32(b)
	}
	return n
}

// round keeps five decimals: finer than any scaling of the table.
func round(x float64) float64 { return math.Round(x*1e5) / 1e5 }

func coded(name string, texts map[byte]string) func([]byte) []Value {
	return func(d []byte) []Value {
		return []Value{{Name: name, Value: float64(d[0]), Text: texts[d[0]]}}
	}
}

func fuelSystems(d []byte) []Value {
	return []Value{
		{Name: "fuel_system_1", Value: float64(d[0]), Text: fuelSystemTexts[d[0]]},
		{Name: "fuel_system_2", Value: float64(d[1]), Text: fuelSystemTexts[d[1]]},
	}
}

func evapPressure(d []byte) []Value {
	return []Value{{Name: "evap_pressure_pa", Unit: "Pa", Value: float64(int16(number(d))) / 4}}
}

func maxima(d []byte) []Value {
	return []Value{
		{Name: "lambda_max", Value: float64(d[0])},
		{Name: "o2_max_v", Unit: "V", Value: float64(d[1])},
		{Name: "o2_max_ma", Unit: "mA", Value: float64(d[2])},
		{Name: "map_max_kpa", Unit: "kPa", Value: float64(d[3]) * 10},
	}
}

// sensorOf2Banks names the n-th oxygen sensor of a car whose sensors PID 13
// lists: four a bank.
func sensorOf2Banks(n byte) string { return fmt.Sprintf("o2_b%ds%d", n/4+1, n%4+1) }

// sensorOf4Banks is the same where PID 1D lists them: two a bank.
func sensorOf4Banks(n byte) string { return fmt.Sprintf("o2_b%ds%d", n/2+1, n%2+1) }

func o2Narrow(sensor string) func([]byte) []Value {
	return func(d []byte) []Value {
		v := []Value{{Name: sensor + "_v", Unit: "V", Value: round(float64(d[0]) / 200)}}
		if d[1] == notUsedForTrim {
			return v
		}
		return append(v, Value{Name: sensor + "_trim_pct", Unit: "%", Value: round((float64(d[1]) - 128) * 100 / 128)})
	}
}

func o2WideVolts(sensor string) func([]byte) []Value {
	return func(d []byte) []Value {
		return []Value{
			{Name: sensor + "_lambda", Value: round(float64(number(d[:2])) * 2 / 65536)},
			{Name: sensor + "_v", Unit: "V", Value: round(float64(number(d[2:])) * 8 / 65536)},
		}
	}
}

func o2WideCurrent(sensor string) func([]byte) []Value {
	return func(d []byte) []Value {
		return []Value{
			{Name: sensor + "_lambda", Value: round(float64(number(d[:2])) * 2 / 65536)},
			{Name: sensor + "_ma", Unit: "mA", Value: round(float64(float64(number(d[2:]))/256) - 128)},
		}
	}
}

var fuelSystemTexts = map[byte]string{
	0x00: "not used", 0x01: "open loop, cold", 0x02: "closed loop", 0x04: "open loop, load or overrun",
	0x08: "open loop, fault", 0x10: "closed loop, a sensor faulty",
}

var secondaryAirTexts = map[byte]string{
	0x01: "upstream of the catalyst", 0x02: "downstream of the catalyst inlet", 0x04: "off", 0x08: "pump on for a test",
}

var requirementTexts = map[byte]string{
	0x01: "OBD II", 0x02: "federal OBD", 0x03: "OBD and OBD II", 0x04: "OBD I", 0x05: "none",
	0x06: "EOBD", 0x07: "EOBD and OBD II", 0x09: "EOBD, OBD and OBD II", 0x0A: "JOBD",
}

var fuelTexts = map[byte]string{
	0x01: "petrol", 0x02: "methanol", 0x03: "ethanol", 0x04: "diesel", 0x05: "LPG", 0x06: "CNG", 0x07: "propane", 0x08: "electric",
}

// group is one identifier with its data, as answers of service 01 carry them.
type group struct {
	pid  byte
	data []byte
}

// walkGroups splits {PID data} groups; skip is the number of bytes between PID
// and data (1 in service 02, whose groups carry the frame number). Only asked
// identifiers are taken. The groups before an error are good.
func walkGroups(d []byte, skip int, asked []byte) ([]group, error) {
	var gs []group
	for len(d) > 0 {
		p, ok := pidTable[d[0]]
		if !ok || !contains(asked, d[0]) {
			return gs, fmt.Errorf("answer holds PID %02X, which was not asked", d[0])
		}
		end := 1 + skip + p.size
		if len(d) < end {
			return gs, fmt.Errorf("PID %02X has %d bytes of data, expected %d", d[0], max(0, len(d)-1-skip), p.size)
		}
		gs = append(gs, group{d[0], d[1+skip : end]})
		d = d[end:]
	}
	return gs, nil
}

func contains(s []byte, b byte) bool {
	for _, x := range s {
		if x == b {
			return true
		}
	}
	return false
}

// decode turns a group into values; fourBanks says that PID 1D, not 13, tells
// where the oxygen sensors are.
func (g group) decode(fourBanks bool) []Value {
	if g.pid >= 0x14 && g.pid <= 0x1B && fourBanks {
		return o2Narrow(sensorOf4Banks(g.pid - 0x14))(g.data)
	}
	p := pidTable[g.pid]
	if p.decode == nil {
		return nil
	}
	return p.decode(g.data)
}

// supported lists the identifiers of base+1..base+20 whose bit is set in the
// four bytes of an answer about base (SAE J1979: bit 7 of the first byte is
// base+1).
func supported(base byte, mask []byte) []byte {
	var ids []byte
	m := number(mask)
	for i := 1; i <= 32; i++ {
		if m&(1<<(32-i)) != 0 && int(base)+i <= 0xFF {
			ids = append(ids, base+byte(i))
		}
	}
	return ids
}
