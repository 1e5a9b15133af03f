// Package diag reads diagnostic messages for people: what service a request is
// (ISO 14229-1, ISO 15031-5 / SAE J1979), what a negative response says, which
// trouble codes an answer holds (ISO 15031-6 / SAE J2012). It decodes what is the
// same in every car and leaves the rest as bytes.
package diag

import (
	"fmt"
	"strings"
)

const (
	negative = 0x7F
	positive = 0x40
)

// services of ISO 14229-1:2020 table 2 and ISO 15031-5 clause 8.
var services = map[byte]string{
	0x01: "current data", 0x02: "freeze frame", 0x03: "confirmed trouble codes", 0x04: "clear", 0x06: "monitor results",
	0x07: "pending trouble codes", 0x08: "control of a system", 0x09: "vehicle information", 0x0A: "permanent trouble codes",
	0x10: "DiagnosticSessionControl", 0x11: "ECUReset", 0x14: "ClearDiagnosticInformation", 0x19: "ReadDTCInformation",
	0x22: "ReadDataByIdentifier", 0x23: "ReadMemoryByAddress", 0x24: "ReadScalingDataByIdentifier", 0x27: "SecurityAccess",
	0x28: "CommunicationControl", 0x29: "Authentication", 0x2A: "ReadDataByPeriodicIdentifier",
	0x2C: "DynamicallyDefineDataIdentifier", 0x2E: "WriteDataByIdentifier", 0x2F: "InputOutputControlByIdentifier",
	0x31: "RoutineControl", 0x34: "RequestDownload", 0x35: "RequestUpload", 0x36: "TransferData", 0x37: "RequestTransferExit",
	0x38: "RequestFileTransfer", 0x3D: "WriteMemoryByAddress", 0x3E: "TesterPresent", 0x83: "AccessTimingParameter",
	0x84: "SecuredDataTransmission", 0x85: "ControlDTCSetting", 0x86: "ResponseOnEvent", 0x87: "LinkControl",
}

// responses are the negative response codes of ISO 14229-1:2020 annex A.
var responses = map[byte]string{
	0x10: "generalReject", 0x11: "serviceNotSupported", 0x12: "subFunctionNotSupported",
	0x13: "incorrectMessageLengthOrInvalidFormat", 0x14: "responseTooLong", 0x21: "busyRepeatRequest",
	0x22: "conditionsNotCorrect", 0x24: "requestSequenceError", 0x25: "noResponseFromSubnetComponent",
	0x26: "failurePreventsExecutionOfRequestedAction", 0x31: "requestOutOfRange", 0x33: "securityAccessDenied",
	0x34: "authenticationRequired", 0x35: "invalidKey", 0x36: "exceedNumberOfAttempts", 0x37: "requiredTimeDelayNotExpired",
	0x70: "uploadDownloadNotAccepted", 0x71: "transferDataSuspended", 0x72: "generalProgrammingFailure",
	0x73: "wrongBlockSequenceCounter", 0x78: "requestCorrectlyReceived-ResponsePending",
	0x7E: "subFunctionNotSupportedInActiveSession", 0x7F: "serviceNotSupportedInActiveSession",
	0x81: "rpmTooHigh", 0x82: "rpmTooLow", 0x83: "engineIsRunning", 0x84: "engineIsNotRunning", 0x85: "engineRunTimeTooLow",
	0x86: "temperatureTooHigh", 0x87: "temperatureTooLow", 0x88: "vehicleSpeedTooHigh", 0x89: "vehicleSpeedTooLow",
	0x8A: "throttle/PedalTooHigh", 0x8B: "throttle/PedalTooLow", 0x8C: "transmissionRangeNotInNeutral",
	0x8D: "transmissionRangeNotInGear", 0x8F: "brakeSwitch(es)NotClosed", 0x90: "shifterLeverNotInPark",
	0x91: "torqueConverterClutchLocked", 0x92: "voltageTooHigh", 0x93: "voltageTooLow", 0x94: "resourceTemporarilyNotAvailable",
}

// ServiceName is the standard's name of a service, or "service XX".
func ServiceName(sid byte) string {
	if n, ok := services[sid]; ok {
		return n
	}
	return fmt.Sprintf("service %02X", sid)
}

// ResponseName is the standard's name of a negative response code.
func ResponseName(nrc byte) string {
	if n, ok := responses[nrc]; ok {
		return n
	}
	return fmt.Sprintf("code %02X", nrc)
}

// Code writes a trouble code of two bytes as the trade does (SAE J2012): P0102.
func Code(hi, lo byte) string {
	return fmt.Sprintf("%c%d%X%02X", "PCBU"[hi>>6], hi>>4&3, hi&0x0F, lo)
}

// Message says in one line what a whole message is. answer tells responses from
// requests; both begin with the service byte.
func Message(data []byte, answer bool) string {
	switch {
	case len(data) == 0:
		return "nothing"
	case answer && data[0] == negative:
		return refusal(data)
	case answer && data[0] < positive:
		return fmt.Sprintf("no answer: % X", clip(data))
	case answer:
		return strings.TrimSpace(ServiceName(data[0]-positive) + " ok " + details(data[0]-positive, data, true))
	}
	return strings.TrimSpace(ServiceName(data[0]) + " " + details(data[0], data, false))
}

func refusal(data []byte) string {
	if len(data) < 3 {
		return fmt.Sprintf("negative response of %d bytes", len(data))
	}
	return fmt.Sprintf("%s refused: %s (%02X)", ServiceName(data[1]), ResponseName(data[2]), data[2])
}

func clip(b []byte) []byte { return b[:min(len(b), 16)] }

// details is what follows the service byte, where the standards lay it down.
func details(sid byte, data []byte, answer bool) string {
	body := data[1:]
	switch {
	case answer && (sid == 0x03 || sid == 0x07 || sid == 0x0A):
		return codeList(body)
	case sid == 0x19 && len(body) > 0:
		return readDTC(body, answer)
	case sid == 0x09 && answer && len(body) > 2 && body[0] == 2:
		return "VIN " + printable(body[2:])
	case sid == 0x22 && answer && len(body) > 2 && body[0] == 0xF1 && body[1] == 0x90:
		return "VIN " + printable(body[2:])
	case sid == 0x3E && len(body) == 1 && body[0] == 0x80:
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
		codes = append(codes, Code(body[i], body[i+1]))
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
	sub := body[0] & 0x7F
	if !answer || sub != 0x02 && sub != 0x0A && sub != 0x15 || len(body) < 2 {
		return fmt.Sprintf("%02X % X", sub, clip(body[1:]))
	}
	var codes []string
	for i := 2; i+3 < len(body); i += 4 {
		codes = append(codes, fmt.Sprintf("%s-%02X status %02X", Code(body[i], body[i+1]), body[i+2], body[i+3]))
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
