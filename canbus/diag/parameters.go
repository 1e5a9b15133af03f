package diag

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// parameter is one of services 01 and 02: its name, how many bytes its data has, and
// how they are read; nil leaves them as bytes.
type parameter struct {
	name string
	size int
	read func(d []byte) string
}

// parameters are those that an ordinary car has (SAE J1979:2012 appendix B; names
// shortened).
var parameters = buildParameters()

func buildParameters() map[byte]parameter {
	const percent, trim, ratio = 100. / 255, 100. / 128, 2. / 65536
	t := map[byte]parameter{
		0x01: {"monitor status since clearing", 4, readiness},
		0x02: {"code that stored the freeze frame", 2, freezeCode},
		0x03: {"fuel system status", 2, fuelSystems},
		0x04: linear("calculated load", 1, percent, 0, "%"),
		0x05: linear("coolant temperature", 1, 1, -40, "degC"),
		0x06: linear("short term fuel trim bank 1", 1, trim, -100, "%"),
		0x07: linear("long term fuel trim bank 1", 1, trim, -100, "%"),
		0x08: linear("short term fuel trim bank 2", 1, trim, -100, "%"),
		0x09: linear("long term fuel trim bank 2", 1, trim, -100, "%"),
		0x0A: linear("fuel pressure", 1, 3, 0, "kPa"),
		0x0B: linear("intake manifold pressure", 1, 1, 0, "kPa"),
		0x0C: linear("engine speed", 2, 0.25, 0, "rev/min"),
		0x0D: linear("vehicle speed", 1, 1, 0, "km/h"),
		0x0E: linear("ignition timing advance", 1, 0.5, -64, "deg"),
		0x0F: linear("intake air temperature", 1, 1, -40, "degC"),
		0x10: linear("air flow rate", 2, 0.01, 0, "g/s"),
		0x11: linear("throttle position", 1, percent, 0, "%"),
		0x12: coded("secondary air", map[byte]string{1: "upstream of the catalyst", 2: "downstream of the catalyst inlet", 4: "off", 8: "pump on for a test"}),
		0x13: {"oxygen sensor locations", 1, func(d []byte) string { return sensors(d[0], 4) }},
		0x1C: coded("OBD requirements", map[byte]string{
			1: "OBD II", 2: "federal OBD", 3: "OBD and OBD II", 4: "OBD I", 5: "none", 6: "EOBD", 7: "EOBD and OBD II",
			9: "EOBD, OBD and OBD II", 10: "JOBD",
		}),
		0x1D: {"oxygen sensor locations", 1, func(d []byte) string { return sensors(d[0], 2) }},
		0x1E: {"power take-off", 1, func(d []byte) string { return onOff(d[0]&1 != 0) }},
		0x1F: linear("time since engine start", 2, 1, 0, "s"),
		0x21: linear("distance with lamp on", 2, 1, 0, "km"),
		0x22: linear("fuel rail pressure above manifold", 2, 0.079, 0, "kPa"),
		0x23: linear("fuel rail pressure", 2, 10, 0, "kPa"),
		0x2C: linear("commanded exhaust gas recirculation", 1, percent, 0, "%"),
		0x2D: linear("exhaust gas recirculation error", 1, trim, -100, "%"),
		0x2E: linear("commanded purge", 1, percent, 0, "%"),
		0x2F: linear("fuel level", 1, percent, 0, "%"),
		0x30: linear("warm-ups since clearing", 1, 1, 0, ""),
		0x31: linear("distance since clearing", 2, 1, 0, "km"),
		0x32: {"evaporative system pressure", 2, func(d []byte) string { return decimal(float64(int16(number(d)))/4, 0.25) + " Pa" }},
		0x33: linear("barometric pressure", 1, 1, 0, "kPa"),
		0x3C: linear("catalyst temperature bank 1 sensor 1", 2, 0.1, -40, "degC"),
		0x3D: linear("catalyst temperature bank 2 sensor 1", 2, 0.1, -40, "degC"),
		0x3E: linear("catalyst temperature bank 1 sensor 2", 2, 0.1, -40, "degC"),
		0x3F: linear("catalyst temperature bank 2 sensor 2", 2, 0.1, -40, "degC"),
		0x41: {"monitor status this driving cycle", 4, monitorsThisCycle},
		0x42: linear("control module voltage", 2, 0.001, 0, "V"),
		0x43: linear("absolute load", 2, percent, 0, "%"),
		0x44: linear("commanded equivalence ratio", 2, ratio, 0, ""),
		0x45: linear("relative throttle position", 1, percent, 0, "%"),
		0x46: linear("ambient air temperature", 1, 1, -40, "degC"),
		0x47: linear("absolute throttle position B", 1, percent, 0, "%"),
		0x48: linear("absolute throttle position C", 1, percent, 0, "%"),
		0x49: linear("accelerator pedal position D", 1, percent, 0, "%"),
		0x4A: linear("accelerator pedal position E", 1, percent, 0, "%"),
		0x4B: linear("accelerator pedal position F", 1, percent, 0, "%"),
		0x4C: linear("commanded throttle", 1, percent, 0, "%"),
		0x4D: linear("time with lamp on", 2, 1, 0, "min"),
		0x4E: linear("time since clearing", 2, 1, 0, "min"),
		0x4F: {"maxima of ratio, sensor voltage and current, manifold pressure", 4, func(d []byte) string {
			return fmt.Sprintf("%d, %d V, %d mA, %d kPa", d[0], d[1], d[2], 10*int(d[3]))
		}},
		0x50: {"maximum air flow rate", 4, func(d []byte) string { return fmt.Sprintf("%d g/s", 10*int(d[0])) }},
		0x51: coded("fuel type", map[byte]string{
			1: "petrol", 2: "methanol", 3: "ethanol", 4: "diesel", 5: "LPG", 6: "CNG", 7: "propane", 8: "electric",
		}),
		0x52: linear("ethanol share", 1, percent, 0, "%"),
		0x59: linear("absolute fuel rail pressure", 2, 10, 0, "kPa"),
		0x5A: linear("relative accelerator pedal position", 1, percent, 0, "%"),
		0x5C: linear("engine oil temperature", 1, 1, -40, "degC"),
		0x5E: linear("engine fuel rate", 2, 0.05, 0, "l/h"),
		0x61: linear("demanded torque", 1, 1, -125, "%"),
		0x62: linear("actual torque", 1, 1, -125, "%"),
		0x63: linear("reference torque", 2, 1, 0, "N m"),
	}
	for i := range byte(8) {
		sensor := fmt.Sprintf("oxygen sensor bank %d sensor %d", i/4+1, i%4+1)
		t[0x14+i] = parameter{sensor, 2, narrowSensor}
		t[0x24+i] = parameter{sensor, 4, func(d []byte) string {
			return "ratio " + decimal(float64(number(d[:2]))*ratio, ratio) + ", " + decimal(float64(number(d[2:]))*8/65536, 0.001) + " V"
		}}
		t[0x34+i] = parameter{sensor, 4, func(d []byte) string {
			return "ratio " + decimal(float64(number(d[:2]))*ratio, ratio) + ", " + decimal(float64(number(d[2:]))/256-128, 0.01) + " mA"
		}}
	}
	for base := 0; base < 0x100; base += 0x20 {
		t[byte(base)] = parameter{fmt.Sprintf("supported %02X-%02X", base+1, base+0x20), 4, func(d []byte) string { return supported(byte(base), d) }}
	}
	return t
}

// linear is a big-endian number: value = scale*n + offset.
func linear(name string, size int, scale, offset float64, unit string) parameter {
	return parameter{name, size, func(d []byte) string {
		s := decimal(scale*float64(number(d))+offset, scale)
		if unit != "" {
			s += " " + unit
		}
		return s
	}}
}

func coded(name string, words map[byte]string) parameter {
	return parameter{name, 1, func(d []byte) string {
		if w, ok := words[d[0]]; ok {
			return fmt.Sprintf("%s (%02X)", w, d[0])
		}
		return fmt.Sprintf("%02X", d[0])
	}}
}

func number(d []byte) uint32 {
	var n uint32
	for _, b := range d {
		n = n<<8 | uint32(b)
	}
	return n
}

// decimal writes a value with as many digits as its step has, three at most; of a step
// that has more, one more than it is worth.
func decimal(v, step float64) string {
	whole := func(x float64) bool { return math.Abs(x-math.Round(x)) < 1e-9 }
	ends := whole(step * 1000)
	digits := 0
	for s := step; digits < 3 && (ends && !whole(s) || !ends && s < 10); s *= 10 {
		digits++
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return s
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// supported lists the identifiers after base that four bytes mark (SAE J1979 appendix
// A), neighbours as a range.
func supported(base byte, d []byte) string {
	bits, n := number(d), 8*len(d)
	var list []string
	for i := 0; i < n; i++ {
		if bits>>(n-1-i)&1 == 0 {
			continue
		}
		first := i
		for i+1 < n && bits>>(n-2-i)&1 != 0 {
			i++
		}
		s := fmt.Sprintf("%02X", int(base)+1+first)
		switch {
		case i == first+1:
			s += fmt.Sprintf(" %02X", int(base)+1+i)
		case i > first:
			s += fmt.Sprintf("-%02X", int(base)+1+i)
		}
		list = append(list, s)
	}
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, " ")
}

func freezeCode(d []byte) string {
	if d[0] == 0 && d[1] == 0 {
		return "none"
	}
	return Code(d[0], d[1])
}

func fuelSystems(d []byte) string {
	words := map[byte]string{
		0: "not used", 1: "open loop, cold", 2: "closed loop", 4: "open loop, load or overrun", 8: "open loop, fault", 0x10: "closed loop, a sensor faulty",
	}
	name := func(b byte) string {
		if w, ok := words[b]; ok {
			return w
		}
		return fmt.Sprintf("%02X", b)
	}
	return "1 " + name(d[0]) + "; 2 " + name(d[1])
}

// narrowSensor is a sensor's voltage and its trim; FF there says that it takes no part.
func narrowSensor(d []byte) string {
	s := decimal(float64(d[0])/200, 0.005) + " V"
	if d[1] == 0xFF {
		return s + ", not used for the trim"
	}
	return s + ", trim " + decimal((float64(d[1])-128)*100/128, 100./128) + " %"
}

// sensors lists the bits of PID 13 (four sensors a bank) and 1D (two).
func sensors(b byte, perBank int) string {
	var list []string
	for i := range 8 {
		if b>>i&1 != 0 {
			list = append(list, fmt.Sprintf("B%dS%d", i/perBank+1, i%perBank+1))
		}
	}
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, " ")
}

// monitors are the bits of bytes C and D of PIDs 01 and 41 (SAE J1979 appendix B).
var (
	continuousMonitors = []string{"misfire", "fuel system", "components"}
	sparkMonitors      = []string{"catalyst", "heated catalyst", "evaporative system", "secondary air", "refrigerant", "oxygen sensor", "oxygen sensor heater", "exhaust gas recirculation"}
	dieselMonitors     = []string{"hydrocarbon catalyst", "NOx aftertreatment", "", "boost pressure", "", "exhaust gas sensor", "particle filter", "exhaust gas recirculation"}
)

// monitorStates sorts the monitors that are there by whether they are complete.
func monitorStates(d []byte) (complete, incomplete []string) {
	add := func(name string, there, not byte) {
		switch {
		case there == 0 || name == "":
		case not != 0:
			incomplete = append(incomplete, name)
		default:
			complete = append(complete, name)
		}
	}
	for i, name := range continuousMonitors {
		add(name, d[1]>>i&1, d[1]>>(i+4)&1)
	}
	names := sparkMonitors
	if d[1]&0x08 != 0 {
		names = dieselMonitors
	}
	for i, name := range names {
		add(name, d[2]>>i&1, d[3]>>i&1)
	}
	return complete, incomplete
}

func monitorList(d []byte) string {
	complete, incomplete := monitorStates(d)
	s := "complete: " + oneOr(complete)
	if len(incomplete) > 0 {
		s += "; not complete: " + strings.Join(incomplete, ", ")
	}
	return s
}

func oneOr(list []string) string {
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, ", ")
}

func readiness(d []byte) string {
	kind := "spark"
	if d[1]&0x08 != 0 {
		kind = "compression"
	}
	return fmt.Sprintf("lamp %s, %s, %s ignition; %s", onOff(d[0]&0x80 != 0), codeCount(int(d[0]&0x7F)), kind, monitorList(d))
}

func monitorsThisCycle(d []byte) string { return monitorList(d) }
