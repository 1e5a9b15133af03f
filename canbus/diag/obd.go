package diag

import (
	"fmt"
	"strings"
)

// current reads services 01 and 02: each parameter with its name, and in an answer with
// its value. What is not known ends the reading and is left as bytes.
func current(sid byte, body []byte, answer bool) (string, []byte) {
	var list []string
	lead := 1
	if sid == 0x02 {
		lead = 2 // the frame's number follows the parameter
	}
	frame := -1
	rest := body
	for len(rest) >= lead {
		p, known := parameters[rest[0]]
		name := p.name
		if !known {
			name = fmt.Sprintf("PID %02X", rest[0])
		}
		if sid == 0x02 && int(rest[1]) != frame {
			frame = int(rest[1])
			name = fmt.Sprintf("%02X %s", frame, name)
		}
		if !answer {
			list, rest = append(list, name), rest[lead:]
			continue
		}
		data := rest[lead:]
		if !known || len(data) < p.size {
			return strings.Join(append(list, name), ", "), data
		}
		list, rest = append(list, name+" "+p.read(data[:p.size])), data[p.size:]
	}
	return strings.Join(list, ", "), rest
}

// infotypes are those of service 09 (SAE J1979 appendix G; from memory).
var infotypes = map[byte]string{
	0x00: "supported", 0x01: "message count VIN", 0x02: "VIN", 0x03: "message count CALID", 0x04: "calibration identification",
	0x05: "message count CVN", 0x06: "calibration verification number", 0x08: "in-use performance (spark)", 0x0A: "ECU name",
	0x0B: "in-use performance (compression)", 0x0D: "engine serial number", 0x0F: "exhaust type approval number",
}

// sparkCounters is the order of infotype 08 (SAE J1979 appendix G; from memory).
var sparkCounters = []string{
	"OBDCOND", "IGNCNTR", "CATCOMP1", "CATCOND1", "CATCOMP2", "CATCOND2", "O2SCOMP1", "O2SCOND1", "O2SCOMP2", "O2SCOND2",
	"EGRCOMP", "EGRCOND", "AIRCOMP", "AIRCOND", "EVAPCOMP", "EVAPCOND", "SO2SCOMP1", "SO2SCOND1", "SO2SCOMP2", "SO2SCOND2",
}

// vehicle reads service 09. On CAN the number of items follows the infotype, but for the
// list of those supported.
func vehicle(body []byte, answer bool) (string, []byte) {
	name, ok := infotypes[body[0]]
	switch {
	case !ok:
		return "", nil
	case !answer || len(body) < 3:
		return name, body[1:]
	case body[0] == 0x00:
		if len(body) == 5 {
			return name + " " + supported(0, body[1:]), nil
		}
		return name, body[1:]
	}
	data := body[2:]
	items := func(size int, write func([]byte) string) (string, []byte) {
		if len(data)%size != 0 || len(data) != size*int(body[1]) {
			return name, body[1:]
		}
		var list []string
		for ; len(data) > 0; data = data[size:] {
			list = append(list, write(data[:size]))
		}
		return name + " " + strings.Join(list, ", "), nil
	}
	switch body[0] {
	case 0x02, 0x0D, 0x0F:
		return name + " " + printable(data), nil
	case 0x04:
		return items(16, printable)
	case 0x06:
		return items(4, func(d []byte) string { return fmt.Sprintf("%X", d) })
	case 0x0A:
		return items(20, ecuName)
	case 0x08:
		n := 0
		return items(2, func(d []byte) string {
			counter := fmt.Sprintf("counter %d", n+1)
			if n < len(sparkCounters) {
				counter = sparkCounters[n]
			}
			n++
			return fmt.Sprintf("%s %d", counter, number(d))
		})
	}
	return name, body[1:]
}

// ecuName is four letters, a hyphen and a name, each filled up with zeros.
func ecuName(d []byte) string {
	return printable(d[:4]) + " " + printable(d[5:])
}

// monitorNames are the monitors of service 06 on CAN (SAE J1979 appendix D; from
// memory).
func monitorName(mid byte) string {
	bank := func(what string, first byte) string { return fmt.Sprintf("%s bank %d", what, mid-first+1) }
	sensor := func(what string, first byte) string {
		return fmt.Sprintf("%s bank %d sensor %d", what, (mid-first)/4+1, (mid-first)%4+1)
	}
	switch {
	case mid >= 0x01 && mid <= 0x10:
		return sensor("oxygen sensor", 0x01)
	case mid >= 0x21 && mid <= 0x24:
		return bank("catalyst", 0x21)
	case mid >= 0x31 && mid <= 0x34:
		return bank("exhaust gas recirculation", 0x31)
	case mid >= 0x35 && mid <= 0x38:
		return bank("valve timing", 0x35)
	case mid >= 0x39 && mid <= 0x3C:
		return "evaporative system " + []string{"cap off", "0.090 in", "0.040 in", "0.020 in"}[mid-0x39]
	case mid == 0x3D:
		return "purge flow"
	case mid >= 0x41 && mid <= 0x50:
		return sensor("oxygen sensor heater", 0x41)
	case mid >= 0x61 && mid <= 0x64:
		return bank("heated catalyst", 0x61)
	case mid >= 0x71 && mid <= 0x74:
		return fmt.Sprintf("secondary air %d", mid-0x70)
	case mid >= 0x81 && mid <= 0x84:
		return bank("fuel system", 0x81)
	case mid == 0xA1:
		return "misfire"
	case mid >= 0xA2 && mid <= 0xAD:
		return fmt.Sprintf("misfire cylinder %d", mid-0xA1)
	}
	return fmt.Sprintf("monitor %02X", mid)
}

// scalings are the units of test results by their number (SAE J1979 appendix E; from
// memory). From 80 on values are signed.
var scalings = map[byte]struct {
	scale, offset float64
	unit          string
}{
	0x01: {1, 0, ""}, 0x02: {0.1, 0, ""}, 0x03: {0.01, 0, ""}, 0x04: {0.001, 0, ""}, 0x07: {0.25, 0, " rev/min"}, 0x08: {0.01, 0, " km/h"},
	0x09: {1, 0, " km/h"}, 0x0A: {0.000122, 0, " V"}, 0x0B: {0.001, 0, " V"}, 0x0C: {0.01, 0, " V"}, 0x0D: {1. / 256, 0, " mA"},
	0x0E: {0.001, 0, " A"}, 0x10: {1, 0, " ms"}, 0x11: {100, 0, " ms"}, 0x12: {1, 0, " s"}, 0x14: {1, 0, " ohm"}, 0x16: {0.1, -40, " degC"},
	0x17: {0.01, 0, " kPa"}, 0x1A: {1, 0, " kPa"}, 0x1C: {0.01, 0, " deg"}, 0x1E: {0.0000305, 0, ""}, 0x20: {1. / 256, 0, ""}, 0x22: {1, 0, " Hz"},
	0x24: {1, 0, " counts"}, 0x25: {1, 0, " km"}, 0x27: {0.01, 0, " g/s"}, 0x2F: {0.01, 0, " %"}, 0x34: {1, 0, " min"},
	0x81: {1, 0, ""}, 0x82: {0.1, 0, ""}, 0x83: {0.01, 0, ""}, 0x84: {0.001, 0, ""},
}

// resultRow is the size of a test's row: monitor, test, scaling, and value, least and
// greatest of two bytes each.
const resultRow = 9

// results reads service 06.
func results(body []byte, answer bool) (string, []byte) {
	if body[0]&0x1F == 0 {
		name := parameters[body[0]].name
		if answer && len(body) == 5 {
			return name + " " + supported(body[0], body[1:]), nil
		}
		return name, body[1:]
	}
	if !answer {
		return monitorName(body[0]), body[1:]
	}
	var list []string
	for len(body) >= resultRow {
		list = append(list, result(body[:resultRow]))
		body = body[resultRow:]
	}
	return strings.Join(list, "; "), body
}

func result(d []byte) string {
	head := fmt.Sprintf("%s test %02X ", monitorName(d[0]), d[1])
	value, least, most := int(number(d[3:5])), int(number(d[5:7])), int(number(d[7:9]))
	if d[2] >= 0x80 {
		value, least, most = int(int16(value)), int(int16(least)), int(int16(most))
	}
	if value == 0 && least == 0 && most == 0 {
		return head + "not run"
	}
	word := "pass"
	if value < least || value > most {
		word = "FAIL"
	}
	s, ok := scalings[d[2]]
	if !ok {
		return fmt.Sprintf("%s%d (%d to %d, scaling %02X) %s", head, value, least, most, d[2], word)
	}
	write := func(n int) string { return decimal(s.scale*float64(n)+s.offset, s.scale) }
	return fmt.Sprintf("%s%s%s (%s to %s) %s", head, write(value), s.unit, write(least), write(most), word)
}
