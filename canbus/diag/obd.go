package diag

import (
	"fmt"
	"strings"

	"sawhorse/canbus/uds"
)

// current reads services 01 and 02: each parameter with its name, and in an answer with
// its value. What is not known ends the reading and is left as bytes.
func current(sid uds.Service, body []byte, answer bool) (string, []byte) {
	var list []string
	lead := 1
	if sid == uds.FreezeFrame {
		lead = 2 // the frame's number follows the parameter
	}
	frame := -1
	rest := body
	for len(rest) >= lead {
		p, known := uds.Parameter(rest[0])
		name := p.Name
		if !known {
			name = fmt.Sprintf("PID %02X", rest[0])
		}
		if sid == uds.FreezeFrame && int(rest[1]) != frame {
			frame = int(rest[1])
			name = fmt.Sprintf("%02X %s", frame, name)
		}
		if !answer {
			list, rest = append(list, name), rest[lead:]
			continue
		}
		data := rest[lead:]
		if !known || len(data) < p.Size {
			return strings.Join(append(list, name), ", "), data
		}
		list, rest = append(list, name+" "+read(rest[0], &p, data[:p.Size])), data[p.Size:]
	}
	return strings.Join(list, ", "), rest
}

// vehicle reads service 09. On CAN the number of items follows the infotype, but for the
// list of those supported.
func vehicle(body []byte, answer bool) (string, []byte) {
	name := uds.InfotypeName(body[0])
	switch {
	case name == "":
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
	case uds.InfoVIN, uds.InfoEngineSerialNumber, uds.InfoExhaustTypeApproval:
		return name + " " + printable(data), nil
	case uds.InfoCalibrationID:
		return items(uds.CalibrationIDLength, printable)
	case uds.InfoCalibrationCheck:
		return items(uds.CalibrationCheckLength, func(d []byte) string { return fmt.Sprintf("%X", d) })
	case uds.InfoECUName:
		return items(uds.ECUNameLength, ecuName)
	case uds.InfoInUseSpark:
		n := 0
		return items(uds.InUseCounterLength, func(d []byte) string {
			counter := uds.InUseCounter(n)
			n++
			if counter == "" {
				counter = fmt.Sprintf("counter %d", n)
			}
			return fmt.Sprintf("%s %d", counter, number(d))
		})
	}
	return name, body[1:]
}

// ecuName is four letters, a hyphen and a name, each filled up with zeros.
func ecuName(d []byte) string {
	return printable(d[:4]) + " " + printable(d[5:])
}

// results reads service 06.
func results(body []byte, answer bool) (string, []byte) {
	if uds.IsRange(body[0]) {
		p, _ := uds.Parameter(body[0])
		name := p.Name
		if answer && len(body) == 5 {
			return name + " " + supported(body[0], body[1:]), nil
		}
		return name, body[1:]
	}
	if !answer {
		return uds.TestedMonitor(body[0]), body[1:]
	}
	var list []string
	for len(body) >= uds.ResultRow {
		list = append(list, result(body[:uds.ResultRow]))
		body = body[uds.ResultRow:]
	}
	return strings.Join(list, "; "), body
}

func result(d []byte) string {
	head := fmt.Sprintf("%s test %02X ", uds.TestedMonitor(d[0]), d[1])
	s, ok := uds.ScalingOf(d[2])
	at := func(i int) int { return s.Int(uint16(number(d[i : i+2]))) }
	value, least, most := at(3), at(5), at(7)
	if value == 0 && least == 0 && most == 0 {
		return head + "not run"
	}
	word := "pass"
	if value < least || value > most {
		word = "FAIL"
	}
	if !ok {
		return fmt.Sprintf("%s%d (%d to %d, scaling %02X) %s", head, value, least, most, d[2], word)
	}
	unit := s.Unit
	if unit != "" {
		unit = " " + unit
	}
	write := func(n int) string { return decimal(float64(s.Scale*float64(n))+s.Offset, s.Scale) }
	return fmt.Sprintf("%s%s%s (%s to %s) %s", head, write(value), unit, write(least), write(most), word)
}
