// Package diag tells diagnostic messages to people: which service a request is for, what
// a negative response says, which trouble codes and values an answer holds. The words and
// numbers are those of package uds; here is how they are put in a line. It tells what is
// the same in every car and leaves the rest as bytes.
package diag

import (
	"fmt"
	"strings"

	"sawhorse/canbus/uds"
)

// Message says in one line what a whole message is. answer tells responses from
// requests; both begin with the service byte.
func Message(data []byte, answer bool) string {
	switch {
	case len(data) == 0:
		return "nothing"
	case answer && data[0] == uds.NegativeResponse:
		return refusal(data)
	case answer && data[0] < uds.PositiveOffset:
		return fmt.Sprintf("no answer: % X", clip(data))
	case answer:
		sid := uds.Service(data[0] - uds.PositiveOffset)
		return strings.TrimSpace(sid.String() + " ok " + details(sid, data, true))
	}
	sid := uds.Service(data[0])
	return strings.TrimSpace(sid.String() + " " + details(sid, data, false))
}

func refusal(data []byte) string {
	if len(data) < 3 {
		return fmt.Sprintf("negative response of %d bytes", len(data))
	}
	return fmt.Sprintf("%s refused: %s (%02X)", uds.Service(data[1]), uds.NRC(data[2]), data[2])
}

func clip(b []byte) []byte { return b[:min(len(b), 16)] }

// details is what follows the service byte, where the standards lay it down.
func details(sid uds.Service, data []byte, answer bool) string {
	body := data[1:]
	switch {
	case answer && (sid == uds.ConfirmedCodes || sid == uds.PendingCodes || sid == uds.PermanentCodes):
		return codeList(body)
	case sid == uds.ReadDTCInformation && len(body) > 0:
		return readDTC(body, answer)
	case sid == uds.VehicleInformation && answer && len(body) > 2 && body[0] == uds.InfoVIN:
		return "VIN " + printable(body[2:])
	case sid == uds.ReadDataByIdentifier && answer && len(body) > 2 && number(body[:2]) == uds.VIN:
		return "VIN " + printable(body[2:])
	case sid == uds.TesterPresent && len(body) == 1 && body[0] == uds.SuppressPositiveResponse:
		return "without answer"
	}
	if len(body) == 0 {
		return ""
	}
	s := fmt.Sprintf("% X", clip(body))
	if len(body) > len(clip(body)) {
		s += fmt.Sprintf(" and %d more", len(body)-len(clip(body)))
	}
	return s
}

// codeList reads services 03, 07 and 0A: a count and pairs of bytes.
func codeList(body []byte) string {
	if len(body) == 0 {
		return "without a count"
	}
	var codes []string
	for i := 1; i+1 < len(body); i += 2 {
		codes = append(codes, uds.CodeOf(body[i], body[i+1]).String())
	}
	s := strings.Join(codes, " ")
	if s == "" {
		s = "none"
	}
	if int(body[0]) != len(codes) {
		s += fmt.Sprintf(" (the count says %d)", body[0])
	}
	return s
}

// readDTC reads the lists of service 19: three bytes a code and its status.
func readDTC(body []byte, answer bool) string {
	sub := body[0] &^ uds.SuppressPositiveResponse
	if !answer || sub != uds.ReportDTCByStatusMask && sub != uds.ReportSupportedDTC && sub != uds.ReportDTCWithPermanentStatus || len(body) < 2 {
		return fmt.Sprintf("%02X % X", sub, clip(body[1:]))
	}
	var codes []string
	for i := 2; i+3 < len(body); i += 4 {
		codes = append(codes, fmt.Sprintf("%s-%02X status %02X", uds.CodeOf(body[i], body[i+1]), body[i+2], body[i+3]))
	}
	if len(codes) == 0 {
		return fmt.Sprintf("%02X none", sub)
	}
	return fmt.Sprintf("%02X %s", sub, strings.Join(codes, ", "))
}

func printable(b []byte) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, strings.TrimRight(string(b), "\x00"))
}
