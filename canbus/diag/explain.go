package diag

import (
	"bytes"
	"fmt"
	"strings"

	"sawhorse/canbus/uds"
)

// Explain says what a message is in the standards' terms, sub-functions, identifiers
// and parameters by name. It says more than Message and takes more room.
func Explain(data []byte, answer bool) string {
	if len(data) < 2 {
		return Message(data, answer)
	}
	if answer && len(data) > 2 && data[0] == uds.NegativeResponse && uds.NRC(data[2]) == uds.ResponsePending {
		return fmt.Sprintf("%s: %s (%02X)", uds.Service(data[1]), uds.NRC(data[2]), data[2])
	}
	if answer && (data[0] == uds.NegativeResponse || data[0] < uds.PositiveOffset) {
		return Message(data, answer)
	}
	sid := uds.Service(data[0])
	if answer {
		sid -= uds.PositiveOffset
	}
	text, rest := explain(sid, data, answer)
	if text == "" {
		return Message(data, answer)
	}
	s := sid.String() + " " + text
	if len(rest) > 0 {
		s += fmt.Sprintf(": % X", clip(rest))
		if more := len(rest) - len(clip(rest)); more > 0 {
			s += fmt.Sprintf(" and %d more", more)
		}
	}
	return s
}

// explain names what follows the service byte, and gives what is left to be shown as
// bytes; "" where there are no names.
func explain(sid uds.Service, data []byte, answer bool) (string, []byte) {
	body := data[1:]
	switch sid {
	case uds.CurrentData, uds.FreezeFrame:
		return current(sid, body, answer)
	case uds.MonitorResults:
		return results(body, answer)
	case uds.VehicleInformation:
		return vehicle(body, answer)
	case uds.DiagnosticSessionControl:
		if answer && len(body) == 5 {
			// ISO 14229-1:2020 table 25: P2 in ms, P2* in steps of 10 ms.
			name, _ := subFunction(sid, body, answer)
			return fmt.Sprintf("%s, P2 %d ms, P2* %d ms", name, number(body[1:3]), 10*number(body[3:5])), nil
		}
	case uds.ClearDiagnosticInformation:
		if !answer && len(body) == 3 {
			if body[0]&body[1]&body[2] == 0xFF {
				return "all groups", nil
			}
			return "group", body
		}
	case uds.ReadDataByIdentifier, uds.WriteDataByIdentifier, uds.InputOutputControlByIdentifier:
		if len(body) >= 2 {
			return identifier(body, answer || sid != uds.ReadDataByIdentifier)
		}
	case uds.SecurityAccess:
		level := body[0] &^ uds.SuppressPositiveResponse
		return fmt.Sprintf("%s %02X", sid.SubFunction(level), level), body[1:]
	case uds.ReadDTCInformation:
		return readDTCInformation(body, answer)
	}
	return subFunction(sid, body, answer)
}

func subFunction(sid uds.Service, body []byte, answer bool) (string, []byte) {
	name := sid.SubFunction(body[0] &^ uds.SuppressPositiveResponse)
	if name == "" {
		return "", nil
	}
	rest := body[1:]
	if sid == uds.RoutineControl && len(rest) >= 2 {
		name += fmt.Sprintf(" %02X%02X", rest[0], rest[1])
		rest = rest[2:]
	}
	if !answer && body[0]&uds.SuppressPositiveResponse != 0 {
		name += ", no positive response wanted"
	}
	return name, rest
}

// identifier reads data identifiers; one follows another only in a request, or where
// the length of its data is known.
func identifier(body []byte, data bool) (string, []byte) {
	var list []string
	for len(body) >= 2 {
		did := uint16(body[0])<<8 | uint16(body[1])
		p, known := uds.Parameter(byte(did))
		known = known && did>>8 == uds.OBDParameters
		name := fmt.Sprintf("%04X", did)
		if n := uds.IdentifierName(did); n != "" {
			name = n + " (" + name + ")"
		} else if known {
			name = p.Name + " (" + name + ")"
		}
		body = body[2:]
		switch {
		case !data || len(body) == 0:
		case known && len(body) >= p.Size:
			name += " " + read(byte(did), &p, body[:p.Size])
			body = body[p.Size:]
		case did == uds.VIN && len(body) >= uds.VINLength:
			name += " " + printable(body[:uds.VINLength])
			body = body[uds.VINLength:]
		default:
			if isText(body) {
				return strings.Join(append(list, name+" "+printable(body)), ", "), nil
			}
			return strings.Join(append(list, name), ", "), body
		}
		list = append(list, name)
	}
	return strings.Join(list, ", "), body
}

// isText reports whether data is letters, perhaps filled up with zeros.
func isText(b []byte) bool {
	b = bytes.TrimRight(b, "\x00")
	return len(b) >= 4 && !bytes.ContainsFunc(b, func(r rune) bool { return r < ' ' || r > '~' })
}
