package uds

// Ranges of data identifiers (ISO 14229-1:2020 table C.1), by their high byte: the low
// one is a periodic identifier, a parameter, a monitor or an infotype.
const (
	PeriodicIdentifiers = 0xF2
	OBDParameters       = 0xF4
	OBDMonitors         = 0xF6
	OBDInfotypes        = 0xF8
)

// Dynamically defined data identifiers have a high byte of F2 or F3.
const DynamicIdentifiers = 0xF3

// Data identifiers that the standard names (table C.1; F19C from memory).
const (
	ActiveDiagnosticSession = 0xF186
	VIN                     = 0xF190
)

// VINLength is that of a vehicle identification number (ISO 3779).
const VINLength = 17

// firstIdentifier is what identifiers begins with.
const firstIdentifier = 0xF180

var identifiers = [...]string{
	0xF180 - firstIdentifier: "bootSoftwareIdentification",
	0xF181 - firstIdentifier: "applicationSoftwareIdentification",
	0xF182 - firstIdentifier: "applicationDataIdentification",
	0xF183 - firstIdentifier: "bootSoftwareFingerprint",
	0xF184 - firstIdentifier: "applicationSoftwareFingerprint",
	0xF185 - firstIdentifier: "applicationDataFingerprint",
	0xF186 - firstIdentifier: "ActiveDiagnosticSession",
	0xF187 - firstIdentifier: "vehicleManufacturerSparePartNumber",
	0xF188 - firstIdentifier: "vehicleManufacturerECUSoftwareNumber",
	0xF189 - firstIdentifier: "vehicleManufacturerECUSoftwareVersionNumber",
	0xF18A - firstIdentifier: "systemSupplierIdentifier",
	0xF18B - firstIdentifier: "ECUManufacturingDate",
	0xF18C - firstIdentifier: "ECUSerialNumber",
	0xF18D - firstIdentifier: "supportedFunctionalUnits",
	0xF18E - firstIdentifier: "vehicleManufacturerKitAssemblyPartNumber",
	0xF18F - firstIdentifier: "regulationXSoftwareIdentificationNumbers",
	0xF190 - firstIdentifier: "VIN",
	0xF191 - firstIdentifier: "vehicleManufacturerECUHardwareNumber",
	0xF192 - firstIdentifier: "systemSupplierECUHardwareNumber",
	0xF193 - firstIdentifier: "systemSupplierECUHardwareVersionNumber",
	0xF194 - firstIdentifier: "systemSupplierECUSoftwareNumber",
	0xF195 - firstIdentifier: "systemSupplierECUSoftwareVersionNumber",
	0xF196 - firstIdentifier: "exhaustRegulationOrTypeApprovalNumber",
	0xF197 - firstIdentifier: "systemNameOrEngineType",
	0xF198 - firstIdentifier: "repairShopCodeOrTesterSerialNumber",
	0xF199 - firstIdentifier: "programmingDate",
	0xF19A - firstIdentifier: "calibrationRepairShopCodeOrCalibrationEquipmentSerialNumber",
	0xF19B - firstIdentifier: "calibrationDate",
	0xF19C - firstIdentifier: "calibrationEquipmentSoftwareNumber",
	0xF19D - firstIdentifier: "ECUInstallationDate",
	0xF19E - firstIdentifier: "ODXFile",
	0xF19F - firstIdentifier: "entity",
}

// IdentifierName is the standard's name of a data identifier, or "".
func IdentifierName(did uint16) string {
	if did >= firstIdentifier && int(did-firstIdentifier) < len(identifiers) {
		return identifiers[did-firstIdentifier]
	}
	return ""
}

// Routine identifiers that the standard lays down (table F.1; E000 to E0FF from memory:
// the tests of emission OBD's service 08).
const (
	OBDTests                     = 0xE0 // the high byte
	EraseMemory                  = 0xFF00
	CheckProgrammingDependencies = 0xFF01
)

// Kinds of data in the high nibble of a scaling byte of ReadScalingDataByIdentifier
// (annex C.2; the low one is the number of bytes).
const (
	ScalingUnsigned = 0x00
	ScalingSigned   = 0x10
	ScalingRaw      = 0x20
	ScalingText     = 0x60
	ScalingFormula  = 0x90
	ScalingUnit     = 0xA0
)
