package uds

// Sub-functions of ISO 14229-1:2020 clauses 9 to 14 (names from memory but for those of
// ReadDTCInformation, which a dissector's table has too). They are plain numbers: what one
// means depends on its service.

// Sub-functions of DiagnosticSessionControl.
const (
	DefaultSession                = 0x01
	ProgrammingSession            = 0x02
	ExtendedDiagnosticSession     = 0x03
	SafetySystemDiagnosticSession = 0x04
)

var sessions = []string{
	DefaultSession: "defaultSession", ProgrammingSession: "programmingSession",
	ExtendedDiagnosticSession: "extendedDiagnosticSession", SafetySystemDiagnosticSession: "safetySystemDiagnosticSession",
}

// Sub-functions of ECUReset.
const (
	HardReset                 = 0x01
	KeyOffOnReset             = 0x02
	SoftReset                 = 0x03
	EnableRapidPowerShutDown  = 0x04
	DisableRapidPowerShutDown = 0x05
)

var resets = []string{
	HardReset: "hardReset", KeyOffOnReset: "keyOffOnReset", SoftReset: "softReset",
	EnableRapidPowerShutDown: "enableRapidPowerShutDown", DisableRapidPowerShutDown: "disableRapidPowerShutDown",
}

// Sub-functions of ReadDTCInformation.
const (
	ReportNumberOfDTCByStatusMask          = 0x01
	ReportDTCByStatusMask                  = 0x02
	ReportDTCSnapshotIdentification        = 0x03
	ReportDTCSnapshotRecordByDTCNumber     = 0x04
	ReportDTCStoredDataByRecordNumber      = 0x05
	ReportDTCExtDataRecordByDTCNumber      = 0x06
	ReportNumberOfDTCBySeverityMaskRecord  = 0x07
	ReportDTCBySeverityMaskRecord          = 0x08
	ReportSeverityInformationOfDTC         = 0x09
	ReportSupportedDTC                     = 0x0A
	ReportFirstTestFailedDTC               = 0x0B
	ReportFirstConfirmedDTC                = 0x0C
	ReportMostRecentTestFailedDTC          = 0x0D
	ReportMostRecentConfirmedDTC           = 0x0E
	ReportDTCFaultDetectionCounter         = 0x14
	ReportDTCWithPermanentStatus           = 0x15
	ReportDTCExtDataRecordByRecordNumber   = 0x16
	ReportUserDefMemoryDTCByStatusMask     = 0x17
	ReportUserDefMemoryDTCSnapshotRecord   = 0x18
	ReportUserDefMemoryDTCExtDataRecord    = 0x19
	ReportDTCExtendedDataRecordIdentifiers = 0x1A
	ReportWWHOBDDTCByMaskRecord            = 0x42
	ReportWWHOBDDTCWithPermanentStatus     = 0x55
	ReportDTCByReadinessGroup              = 0x56
)

var reports = []string{
	ReportNumberOfDTCByStatusMask:          "reportNumberOfDTCByStatusMask",
	ReportDTCByStatusMask:                  "reportDTCByStatusMask",
	ReportDTCSnapshotIdentification:        "reportDTCSnapshotIdentification",
	ReportDTCSnapshotRecordByDTCNumber:     "reportDTCSnapshotRecordByDTCNumber",
	ReportDTCStoredDataByRecordNumber:      "reportDTCStoredDataByRecordNumber",
	ReportDTCExtDataRecordByDTCNumber:      "reportDTCExtDataRecordByDTCNumber",
	ReportNumberOfDTCBySeverityMaskRecord:  "reportNumberOfDTCBySeverityMaskRecord",
	ReportDTCBySeverityMaskRecord:          "reportDTCBySeverityMaskRecord",
	ReportSeverityInformationOfDTC:         "reportSeverityInformationOfDTC",
	ReportSupportedDTC:                     "reportSupportedDTC",
	ReportFirstTestFailedDTC:               "reportFirstTestFailedDTC",
	ReportFirstConfirmedDTC:                "reportFirstConfirmedDTC",
	ReportMostRecentTestFailedDTC:          "reportMostRecentTestFailedDTC",
	ReportMostRecentConfirmedDTC:           "reportMostRecentConfirmedDTC",
	ReportDTCFaultDetectionCounter:         "reportDTCFaultDetectionCounter",
	ReportDTCWithPermanentStatus:           "reportDTCWithPermanentStatus",
	ReportDTCExtDataRecordByRecordNumber:   "reportDTCExtDataRecordByRecordNumber",
	ReportUserDefMemoryDTCByStatusMask:     "reportUserDefMemoryDTCByStatusMask",
	ReportUserDefMemoryDTCSnapshotRecord:   "reportUserDefMemoryDTCSnapshotRecordByDTCNumber",
	ReportUserDefMemoryDTCExtDataRecord:    "reportUserDefMemoryDTCExtDataRecordByDTCNumber",
	ReportDTCExtendedDataRecordIdentifiers: "reportDTCExtendedDataRecordIdentification",
	ReportWWHOBDDTCByMaskRecord:            "reportWWHOBDDTCByMaskRecord",
	ReportWWHOBDDTCWithPermanentStatus:     "reportWWHOBDDTCWithPermanentStatus",
	ReportDTCByReadinessGroup:              "reportDTCInformationByDTCReadinessGroupIdentifier",
}

// Sub-functions of CommunicationControl.
const (
	EnableRxAndTx                = 0x00
	EnableRxAndDisableTx         = 0x01
	DisableRxAndEnableTx         = 0x02
	DisableRxAndTx               = 0x03
	EnableRxAndDisableTxEnhanced = 0x04
	EnableRxAndTxEnhanced        = 0x05
)

var communications = []string{
	EnableRxAndTx: "enableRxAndTx", EnableRxAndDisableTx: "enableRxAndDisableTx",
	DisableRxAndEnableTx: "disableRxAndEnableTx", DisableRxAndTx: "disableRxAndTx",
	EnableRxAndDisableTxEnhanced: "enableRxAndDisableTxWithEnhancedAddressInformation",
	EnableRxAndTxEnhanced:        "enableRxAndTxWithEnhancedAddressInformation",
}

var authentications = []string{
	0x00: "deAuthenticate", 0x01: "verifyCertificateUnidirectional", 0x02: "verifyCertificateBidirectional",
	0x03: "proofOfOwnership", 0x04: "transmitCertificate", 0x05: "requestChallengeForAuthentication",
	0x06: "verifyProofOfOwnershipUnidirectional", 0x07: "verifyProofOfOwnershipBidirectional",
	0x08: "authenticationConfiguration",
}

// Sub-functions of DynamicallyDefineDataIdentifier.
const (
	DefineByIdentifier                    = 0x01
	DefineByMemoryAddress                 = 0x02
	ClearDynamicallyDefinedDataIdentifier = 0x03
)

var definitions = []string{
	DefineByIdentifier: "defineByIdentifier", DefineByMemoryAddress: "defineByMemoryAddress",
	ClearDynamicallyDefinedDataIdentifier: "clearDynamicallyDefinedDataIdentifier",
}

// Sub-functions of RoutineControl.
const (
	StartRoutine          = 0x01
	StopRoutine           = 0x02
	RequestRoutineResults = 0x03
)

var routines = []string{StartRoutine: "startRoutine", StopRoutine: "stopRoutine", RequestRoutineResults: "requestRoutineResults"}

// ZeroSubFunction is that of TesterPresent.
const ZeroSubFunction = 0x00

var presences = []string{ZeroSubFunction: "zeroSubFunction"}

var timings = []string{
	0x01: "readExtendedTimingParameterSet", 0x02: "setTimingParametersToDefaultValues",
	0x03: "readCurrentlyActiveTimingParameters", 0x04: "setTimingParametersToGivenValues",
}

// Sub-functions of ControlDTCSetting.
const (
	DTCSettingOn  = 0x01
	DTCSettingOff = 0x02
)

var settings = []string{DTCSettingOn: "on", DTCSettingOff: "off"}

var events = []string{
	0x00: "stopResponseOnEvent", 0x01: "onDTCStatusChange", 0x03: "onChangeOfDataIdentifier", 0x04: "reportActivatedEvents",
	0x05: "startResponseOnEvent", 0x06: "clearResponseOnEvent", 0x07: "onComparisonOfValues",
}

var links = []string{
	0x01: "verifyModeTransitionWithFixedParameter", 0x02: "verifyModeTransitionWithSpecificParameter", 0x03: "transitionMode",
}
