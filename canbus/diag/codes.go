package diag

import (
	"fmt"
	"strings"
)

// statusBits are the bits of a code's status (ISO 14229-1:2020 annex D.2), from bit 0.
var statusBits = []string{
	"testFailed", "testFailedThisOperationCycle", "pendingDTC", "confirmedDTC", "testNotCompletedSinceLastClear",
	"testFailedSinceLastClear", "testNotCompletedThisOperationCycle", "warningIndicatorRequested",
}

// status names the bits of a status byte or of a mask.
func status(b byte) string {
	var list []string
	for i, name := range statusBits {
		if b>>i&1 != 0 {
			list = append(list, name)
		}
	}
	if len(list) == 0 {
		return fmt.Sprintf("%02X", b)
	}
	return fmt.Sprintf("%02X (%s)", b, strings.Join(list, " "))
}

// namedCodes is up to how many codes each status is told in words.
const namedCodes = 3

// code writes a code of three bytes: the third is how it fails (SAE J2012-DA).
func code(d []byte) string { return fmt.Sprintf("%s-%02X", Code(d[0], d[1]), d[2]) }

var codeFormats = map[byte]string{0: "SAE J2012-DA 00", 1: "ISO 14229-1", 2: "SAE J1939-73", 3: "ISO 11992-4", 4: "SAE J2012-DA 04"}

// readDTCInformation reads service 19 (ISO 14229-1:2020 clause 12.3).
func readDTCInformation(body []byte, answer bool) (string, []byte) {
	name, ok := subFunctions[0x19][body[0]&^suppress]
	if !ok {
		return "", nil
	}
	if !answer {
		return askDTC(name, body)
	}
	rest := body[1:]
	mask := func() string { return "mask " + status(rest[0]) }
	switch sub := body[0]; {
	case (sub == 0x01 || sub == 0x07) && len(rest) == 4:
		return fmt.Sprintf("%s %s, %s, format %s", name, codeCount(int(number(rest[2:4]))), mask(), codeFormats[rest[1]]), nil
	case (sub == 0x02 || sub >= 0x0A && sub <= 0x0E || sub == 0x15) && len(rest) >= 1:
		list, left := rows(rest[1:], 4, func(d []byte, wordy bool) string { return code(d) + " status " + statusOf(d[3], wordy) })
		return name + " " + list + ", " + mask(), left
	case sub == 0x03:
		list, left := rows(rest, 4, func(d []byte, _ bool) string { return fmt.Sprintf("%s record %02X", code(d), d[3]) })
		return name + " " + list, left
	case sub == 0x14:
		list, left := rows(rest, 4, func(d []byte, _ bool) string { return fmt.Sprintf("%s counter %d", code(d), int8(d[3])) })
		return name + " " + list, left
	case (sub == 0x08 || sub == 0x09) && len(rest) >= 1:
		list, left := rows(rest[1:], 6, func(d []byte, wordy bool) string {
			return fmt.Sprintf("%s severity %02X unit %02X status %s", code(d[2:]), d[0], d[1], statusOf(d[5], wordy))
		})
		return name + " " + list + ", " + mask(), left
	case sub == 0x04 && len(rest) >= 6:
		return fmt.Sprintf("%s %s status %s, record %02X of %d identifiers", name, code(rest), status(rest[3]), rest[4], rest[5]), rest[6:]
	case (sub == 0x04 || sub == 0x06) && len(rest) == 4:
		return fmt.Sprintf("%s %s status %s, no record", name, code(rest), status(rest[3])), nil
	case sub == 0x06 && len(rest) >= 5:
		return fmt.Sprintf("%s %s status %s, record %02X", name, code(rest), status(rest[3]), rest[4]), rest[5:]
	}
	return name, rest
}

// askDTC reads a request: a mask, or a code and a record.
func askDTC(name string, body []byte) (string, []byte) {
	if body[0]&suppress != 0 {
		name += ", no positive response wanted"
	}
	rest := body[1:]
	switch sub := body[0] &^ suppress; {
	case (sub == 0x01 || sub == 0x02) && len(rest) == 1:
		return name + " mask " + status(rest[0]), nil
	case (sub == 0x07 || sub == 0x08) && len(rest) == 2:
		return fmt.Sprintf("%s severity mask %02X, mask %s", name, rest[0], status(rest[1])), nil
	case (sub == 0x04 || sub == 0x06) && len(rest) == 4:
		record := fmt.Sprintf("record %02X", rest[3])
		if rest[3] == 0xFF {
			record = "all records"
		}
		return name + " " + code(rest) + ", " + record, nil
	case sub == 0x09 && len(rest) == 3:
		return name + " " + code(rest), nil
	}
	return name, rest
}

// rows reads rows of one size; what is left over at the end is given back.
func rows(d []byte, size int, write func(row []byte, wordy bool) string) (string, []byte) {
	wordy := len(d)/size <= namedCodes
	var list []string
	for ; len(d) >= size; d = d[size:] {
		list = append(list, write(d[:size], wordy))
	}
	if len(list) == 0 {
		return "none", d
	}
	return strings.Join(list, ", "), d
}

func statusOf(b byte, wordy bool) string {
	if wordy {
		return status(b)
	}
	return fmt.Sprintf("%02X", b)
}

// codeCount says how many codes there are.
func codeCount(n int) string {
	if n == 1 {
		return "1 code"
	}
	return fmt.Sprintf("%d codes", n)
}
