package diag

import (
	"bytes"
	"fmt"
	"strings"
)

// subFunctions are the names of sub-functions (ISO 14229-1:2020 clauses 9 to 14;
// from memory).
var subFunctions = map[byte]map[byte]string{
	0x10: {1: "defaultSession", 2: "programmingSession", 3: "extendedDiagnosticSession", 4: "safetySystemDiagnosticSession"},
	0x11: {1: "hardReset", 2: "keyOffOnReset", 3: "softReset", 4: "enableRapidPowerShutDown", 5: "disableRapidPowerShutDown"},
	0x19: {
		0x01: "reportNumberOfDTCByStatusMask", 0x02: "reportDTCByStatusMask", 0x03: "reportDTCSnapshotIdentification",
		0x04: "reportDTCSnapshotRecordByDTCNumber", 0x05: "reportDTCStoredDataByRecordNumber",
		0x06: "reportDTCExtDataRecordByDTCNumber", 0x07: "reportNumberOfDTCBySeverityMaskRecord",
		0x08: "reportDTCBySeverityMaskRecord", 0x09: "reportSeverityInformationOfDTC", 0x0A: "reportSupportedDTC",
		0x0B: "reportFirstTestFailedDTC", 0x0C: "reportFirstConfirmedDTC", 0x0D: "reportMostRecentTestFailedDTC",
		0x0E: "reportMostRecentConfirmedDTC", 0x14: "reportDTCFaultDetectionCounter", 0x15: "reportDTCWithPermanentStatus",
		0x42: "reportWWHOBDDTCByMaskRecord", 0x55: "reportWWHOBDDTCWithPermanentStatus",
	},
	0x28: {0: "enableRxAndTx", 1: "enableRxAndDisableTx", 2: "disableRxAndEnableTx", 3: "disableRxAndTx"},
	0x2C: {1: "defineByIdentifier", 2: "defineByMemoryAddress", 3: "clearDynamicallyDefinedDataIdentifier"},
	0x31: {1: "startRoutine", 2: "stopRoutine", 3: "requestRoutineResults"},
	0x3E: {0: "zeroSubFunction"},
	0x85: {1: "on", 2: "off"},
}

// identifiers are the data identifiers that the standard names (ISO 14229-1:2020
// table C.1; F19C from memory).
var identifiers = map[uint16]string{
	0xF180: "bootSoftwareIdentification", 0xF181: "applicationSoftwareIdentification", 0xF182: "applicationDataIdentification",
	0xF183: "bootSoftwareFingerprint", 0xF184: "applicationSoftwareFingerprint", 0xF185: "applicationDataFingerprint",
	0xF186: "ActiveDiagnosticSession", 0xF187: "vehicleManufacturerSparePartNumber", 0xF188: "vehicleManufacturerECUSoftwareNumber",
	0xF189: "vehicleManufacturerECUSoftwareVersionNumber", 0xF18A: "systemSupplierIdentifier", 0xF18B: "ECUManufacturingDate",
	0xF18C: "ECUSerialNumber", 0xF18D: "supportedFunctionalUnits", 0xF18E: "vehicleManufacturerKitAssemblyPartNumber",
	0xF190: "VIN", 0xF191: "vehicleManufacturerECUHardwareNumber", 0xF192: "systemSupplierECUHardwareNumber",
	0xF193: "systemSupplierECUHardwareVersionNumber", 0xF194: "systemSupplierECUSoftwareNumber",
	0xF195: "systemSupplierECUSoftwareVersionNumber", 0xF196: "exhaustRegulationOrTypeApprovalNumber",
	0xF197: "systemNameOrEngineType", 0xF198: "repairShopCodeOrTesterSerialNumber", 0xF199: "programmingDate",
	0xF19A: "calibrationRepairShopCodeOrCalibrationEquipmentSerialNumber", 0xF19B: "calibrationDate",
	0xF19C: "calibrationEquipmentSoftwareNumber", 0xF19D: "ECUInstallationDate", 0xF19E: "ODXFile", 0xF19F: "entity",
}

const (
	suppress        = 0x80 // suppressPosRspMsgIndicationBit, ISO 14229-1:2020 clause 8.2.2
	responsePending = 0x78 // annex A.1: no refusal, the answer is still to come
)

// Explain says what a message is in the standards' terms, sub-functions, identifiers
// and parameters by name. It says more than Message and takes more room.
func Explain(data []byte, answer bool) string {
	if len(data) < 2 {
		return Message(data, answer)
	}
	if answer && len(data) > 2 && data[0] == negative && data[2] == responsePending {
		return fmt.Sprintf("%s: %s (%02X)", ServiceName(data[1]), ResponseName(data[2]), data[2])
	}
	if answer && (data[0] == negative || data[0] < positive) {
		return Message(data, answer)
	}
	sid := data[0]
	if answer {
		sid -= positive
	}
	text, rest := explain(sid, data, answer)
	if text == "" {
		return Message(data, answer)
	}
	s := ServiceName(sid) + " " + text
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
func explain(sid byte, data []byte, answer bool) (string, []byte) {
	body := data[1:]
	switch sid {
	case 0x01, 0x02:
		return current(sid, body, answer)
	case 0x06:
		return results(body, answer)
	case 0x09:
		return vehicle(body, answer)
	case 0x10:
		if answer && len(body) == 5 {
			// ISO 14229-1:2020 table 25: P2 in ms, P2* in steps of 10 ms.
			name, _ := subFunction(sid, body, answer)
			return fmt.Sprintf("%s, P2 %d ms, P2* %d ms", name, number(body[1:3]), 10*number(body[3:5])), nil
		}
	case 0x14:
		if !answer && len(body) == 3 {
			if body[0]&body[1]&body[2] == 0xFF {
				return "all groups", nil
			}
			return "group", body
		}
	case 0x22, 0x2E, 0x2F:
		if len(body) >= 2 {
			return identifier(body, answer || sid != 0x22)
		}
	case 0x27:
		kind := "requestSeed"
		if body[0]&1 == 0 {
			kind = "sendKey"
		}
		return fmt.Sprintf("%s %02X", kind, body[0]&^suppress), body[1:]
	case 0x19:
		return readDTCInformation(body, answer)
	}
	return subFunction(sid, body, answer)
}

func subFunction(sid byte, body []byte, answer bool) (string, []byte) {
	name, ok := subFunctions[sid][body[0]&^suppress]
	if !ok {
		return "", nil
	}
	rest := body[1:]
	if sid == 0x31 && len(rest) >= 2 {
		name += fmt.Sprintf(" %02X%02X", rest[0], rest[1])
		rest = rest[2:]
	}
	if !answer && body[0]&suppress != 0 {
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
		p, known := parameters[byte(did)]
		known = known && did>>8 == 0xF4 // ISO 14229-1:2020 table C.1: F400 to F4FF are the parameters of OBD
		name := fmt.Sprintf("%04X", did)
		if n, ok := identifiers[did]; ok {
			name = n + " (" + name + ")"
		} else if known {
			name = p.name + " (" + name + ")"
		}
		body = body[2:]
		switch {
		case !data || len(body) == 0:
		case known && len(body) >= p.size:
			name += " " + p.read(body[:p.size])
			body = body[p.size:]
		case did == 0xF190 && len(body) >= vinSize:
			name += " " + printable(body[:vinSize])
			body = body[vinSize:]
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

const vinSize = 17 // ISO 3779

// isText reports whether data is letters, perhaps filled up with zeros.
func isText(b []byte) bool {
	b = bytes.TrimRight(b, "\x00")
	return len(b) >= 4 && !bytes.ContainsFunc(b, func(r rune) bool { return r < ' ' || r > '~' })
}
