package diag

import (
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

// parameters are the parameters of services 01 and 02 (SAE J1979; names shortened,
// from memory).
var parameters = map[byte]string{
	0x00: "supported 01-20", 0x01: "monitor status since clearing", 0x02: "code that stored the freeze frame", 0x03: "fuel system status",
	0x04: "calculated load", 0x05: "coolant temperature", 0x06: "short term fuel trim bank 1", 0x07: "long term fuel trim bank 1",
	0x08: "short term fuel trim bank 2", 0x09: "long term fuel trim bank 2", 0x0A: "fuel pressure", 0x0B: "intake manifold pressure",
	0x0C: "engine speed", 0x0D: "vehicle speed", 0x0E: "ignition timing advance", 0x0F: "intake air temperature",
	0x10: "air flow rate", 0x11: "throttle position", 0x13: "oxygen sensor locations", 0x14: "oxygen sensor bank 1 sensor 1",
	0x15: "oxygen sensor bank 1 sensor 2", 0x18: "oxygen sensor bank 2 sensor 1", 0x19: "oxygen sensor bank 2 sensor 2",
	0x1C: "OBD requirements", 0x1F: "time since engine start", 0x20: "supported 21-40", 0x21: "distance with lamp on",
	0x2E: "commanded purge", 0x2F: "fuel level", 0x30: "warm-ups since clearing", 0x31: "distance since clearing",
	0x33: "barometric pressure", 0x3C: "catalyst temperature bank 1 sensor 1", 0x40: "supported 41-60",
	0x41: "monitor status this driving cycle", 0x42: "control module voltage", 0x43: "absolute load",
	0x44: "commanded equivalence ratio", 0x45: "relative throttle position", 0x46: "ambient air temperature",
	0x47: "absolute throttle position B", 0x49: "accelerator pedal position D", 0x4A: "accelerator pedal position E",
	0x4C: "commanded throttle", 0x4D: "time with lamp on", 0x4E: "time since clearing", 0x51: "fuel type", 0x5C: "engine oil temperature",
	0x5E: "engine fuel rate", 0x60: "supported 61-80",
}

// infotypes are those of service 09 (SAE J1979; from memory).
var infotypes = map[byte]string{
	0x00: "supported", 0x01: "message count VIN", 0x02: "VIN", 0x03: "message count CALID", 0x04: "calibration identification",
	0x05: "message count CVN", 0x06: "calibration verification number", 0x08: "in-use performance (spark)", 0x0A: "ECU name",
	0x0B: "in-use performance (compression)",
}

// values of one or two bytes: value = scale*n + offset (SAE J1979 annex B).
var values = map[byte]struct {
	bytes         int
	scale, offset float64
	unit          string
}{
	0x04: {1, 100. / 255, 0, "%"}, 0x05: {1, 1, -40, "degC"}, 0x0B: {1, 1, 0, "kPa"}, 0x0C: {2, 0.25, 0, "rev/min"},
	0x0D: {1, 1, 0, "km/h"}, 0x0E: {1, 0.5, -64, "deg"}, 0x0F: {1, 1, -40, "degC"}, 0x10: {2, 0.01, 0, "g/s"},
	0x11: {1, 100. / 255, 0, "%"}, 0x1F: {2, 1, 0, "s"}, 0x2F: {1, 100. / 255, 0, "%"}, 0x33: {1, 1, 0, "kPa"},
	0x42: {2, 0.001, 0, "V"}, 0x46: {1, 1, -40, "degC"}, 0x5C: {1, 1, -40, "degC"},
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
	case 0x09:
		if name, ok := infotypes[body[0]]; ok {
			if answer && body[0] == 2 && len(body) > 2 {
				return "VIN " + printable(body[2:]), nil
			}
			return name, body[1:]
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
		if name, ok := subFunctions[sid][body[0]]; ok && answer && (body[0] == 0x02 || body[0] == 0x0A || body[0] == 0x15) {
			return name + strings.TrimPrefix(readDTC(body, answer), fmt.Sprintf("%02X", body[0])), nil
		}
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

// identifier reads data identifiers; one follows another only in a request.
func identifier(body []byte, once bool) (string, []byte) {
	var names []string
	for len(body) >= 2 {
		did := uint16(body[0])<<8 | uint16(body[1])
		name := fmt.Sprintf("%04X", did)
		if n, ok := identifiers[did]; ok {
			name = n + " (" + name + ")"
		} else if n, ok := parameters[byte(did)]; ok && did>>8 == 0xF4 {
			name = n + " (" + name + ")"
		}
		names = append(names, name)
		if body = body[2:]; once {
			if did == 0xF190 && len(body) > 0 {
				return name + " " + printable(body), nil
			}
			break
		}
	}
	return strings.Join(names, ", "), body
}

// current reads services 01 and 02. An answer with one parameter is read; where there
// are several, lengths are not known to everybody and bytes are shown.
func current(sid byte, body []byte, answer bool) (string, []byte) {
	var names []string
	step, rest := 1, body
	if sid == 0x02 {
		step = 2 // the frame's number follows
	}
	for len(rest) >= step && (len(names) == 0 || !answer) {
		name, ok := parameters[rest[0]]
		if !ok {
			name = fmt.Sprintf("PID %02X", rest[0])
		}
		names = append(names, name)
		rest = rest[step:]
	}
	if len(names) == 0 {
		return "", nil
	}
	if v, ok := values[body[0]]; ok && answer && len(rest) == v.bytes {
		n := 0
		for _, b := range rest {
			n = n<<8 | int(b)
		}
		return fmt.Sprintf("%s %.4g %s", names[0], v.scale*float64(n)+v.offset, v.unit), nil
	}
	return strings.Join(names, ", "), rest
}
