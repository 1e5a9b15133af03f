package uds

import "fmt"

// NRC is a negative response code (ISO 14229-1:2020 annex A.1).
type NRC uint8

// Negative response codes.
const (
	GeneralReject                             NRC = 0x10
	ServiceNotSupported                       NRC = 0x11
	SubFunctionNotSupported                   NRC = 0x12
	IncorrectMessageLengthOrInvalidFormat     NRC = 0x13
	ResponseTooLong                           NRC = 0x14
	BusyRepeatRequest                         NRC = 0x21
	ConditionsNotCorrect                      NRC = 0x22
	RequestSequenceError                      NRC = 0x24
	NoResponseFromSubnetComponent             NRC = 0x25
	FailurePreventsExecutionOfRequestedAction NRC = 0x26
	RequestOutOfRange                         NRC = 0x31
	SecurityAccessDenied                      NRC = 0x33
	AuthenticationRequired                    NRC = 0x34
	InvalidKey                                NRC = 0x35
	ExceedNumberOfAttempts                    NRC = 0x36
	RequiredTimeDelayNotExpired               NRC = 0x37
	UploadDownloadNotAccepted                 NRC = 0x70
	TransferDataSuspended                     NRC = 0x71
	GeneralProgrammingFailure                 NRC = 0x72
	WrongBlockSequenceCounter                 NRC = 0x73
	ResponsePending                           NRC = 0x78 // no refusal: the answer is still to come
	SubFunctionNotSupportedInActiveSession    NRC = 0x7E
	ServiceNotSupportedInActiveSession        NRC = 0x7F
	RPMTooHigh                                NRC = 0x81
	RPMTooLow                                 NRC = 0x82
	EngineIsRunning                           NRC = 0x83
	EngineIsNotRunning                        NRC = 0x84
	EngineRunTimeTooLow                       NRC = 0x85
	TemperatureTooHigh                        NRC = 0x86
	TemperatureTooLow                         NRC = 0x87
	VehicleSpeedTooHigh                       NRC = 0x88
	VehicleSpeedTooLow                        NRC = 0x89
	ThrottlePedalTooHigh                      NRC = 0x8A
	ThrottlePedalTooLow                       NRC = 0x8B
	TransmissionRangeNotInNeutral             NRC = 0x8C
	TransmissionRangeNotInGear                NRC = 0x8D
	BrakeSwitchNotClosed                      NRC = 0x8F
	ShifterLeverNotInPark                     NRC = 0x90
	TorqueConverterClutchLocked               NRC = 0x91
	VoltageTooHigh                            NRC = 0x92
	VoltageTooLow                             NRC = 0x93
	ResourceTemporarilyNotAvailable           NRC = 0x94
)

// refusals are the standard's names; those of 38 to 5D from memory.
var refusals = [...]string{
	GeneralReject:                             "generalReject",
	ServiceNotSupported:                       "serviceNotSupported",
	SubFunctionNotSupported:                   "subFunctionNotSupported",
	IncorrectMessageLengthOrInvalidFormat:     "incorrectMessageLengthOrInvalidFormat",
	ResponseTooLong:                           "responseTooLong",
	BusyRepeatRequest:                         "busyRepeatRequest",
	ConditionsNotCorrect:                      "conditionsNotCorrect",
	RequestSequenceError:                      "requestSequenceError",
	NoResponseFromSubnetComponent:             "noResponseFromSubnetComponent",
	FailurePreventsExecutionOfRequestedAction: "failurePreventsExecutionOfRequestedAction",
	RequestOutOfRange:                         "requestOutOfRange",
	SecurityAccessDenied:                      "securityAccessDenied",
	AuthenticationRequired:                    "authenticationRequired",
	InvalidKey:                                "invalidKey",
	ExceedNumberOfAttempts:                    "exceedNumberOfAttempts",
	RequiredTimeDelayNotExpired:               "requiredTimeDelayNotExpired",
	0x38:                                      "secureDataTransmissionRequired",
	0x39:                                      "secureDataTransmissionNotAllowed",
	0x3A:                                      "secureDataVerificationFailed",
	0x50:                                      "certificateVerificationFailed-InvalidTimePeriod",
	0x51:                                      "certificateVerificationFailed-InvalidSignature",
	0x52:                                      "certificateVerificationFailed-InvalidChainOfTrust",
	0x53:                                      "certificateVerificationFailed-InvalidType",
	0x54:                                      "certificateVerificationFailed-InvalidFormat",
	0x55:                                      "certificateVerificationFailed-InvalidContent",
	0x56:                                      "certificateVerificationFailed-InvalidScope",
	0x57:                                      "certificateVerificationFailed-InvalidCertificate",
	0x58:                                      "ownershipVerificationFailed",
	0x59:                                      "challengeCalculationFailed",
	0x5A:                                      "settingAccessRightsFailed",
	0x5B:                                      "sessionKeyCreationOrDerivationFailed",
	0x5C:                                      "configurationDataUsageFailed",
	0x5D:                                      "deAuthenticationFailed",
	UploadDownloadNotAccepted:                 "uploadDownloadNotAccepted",
	TransferDataSuspended:                     "transferDataSuspended",
	GeneralProgrammingFailure:                 "generalProgrammingFailure",
	WrongBlockSequenceCounter:                 "wrongBlockSequenceCounter",
	ResponsePending:                           "requestCorrectlyReceived-ResponsePending",
	SubFunctionNotSupportedInActiveSession:    "subFunctionNotSupportedInActiveSession",
	ServiceNotSupportedInActiveSession:        "serviceNotSupportedInActiveSession",
	RPMTooHigh:                                "rpmTooHigh",
	RPMTooLow:                                 "rpmTooLow",
	EngineIsRunning:                           "engineIsRunning",
	EngineIsNotRunning:                        "engineIsNotRunning",
	EngineRunTimeTooLow:                       "engineRunTimeTooLow",
	TemperatureTooHigh:                        "temperatureTooHigh",
	TemperatureTooLow:                         "temperatureTooLow",
	VehicleSpeedTooHigh:                       "vehicleSpeedTooHigh",
	VehicleSpeedTooLow:                        "vehicleSpeedTooLow",
	ThrottlePedalTooHigh:                      "throttle/PedalTooHigh",
	ThrottlePedalTooLow:                       "throttle/PedalTooLow",
	TransmissionRangeNotInNeutral:             "transmissionRangeNotInNeutral",
	TransmissionRangeNotInGear:                "transmissionRangeNotInGear",
	BrakeSwitchNotClosed:                      "brakeSwitch(es)NotClosed",
	ShifterLeverNotInPark:                     "shifterLeverNotInPark",
	TorqueConverterClutchLocked:               "torqueConverterClutchLocked",
	VoltageTooHigh:                            "voltageTooHigh",
	VoltageTooLow:                             "voltageTooLow",
	ResourceTemporarilyNotAvailable:           "resourceTemporarilyNotAvailable",
}

// String is the standard's name, or "code XX".
func (n NRC) String() string {
	if int(n) < len(refusals) && refusals[n] != "" {
		return refusals[n]
	}
	return fmt.Sprintf("code %02X", uint8(n))
}

// IsCondition reports whether the code says that a condition of the car is not met:
// conditionsNotCorrect, or one of the codes that may stand in its place (81 to 94).
func (n NRC) IsCondition() bool {
	return n == ConditionsNotCorrect || n >= RPMTooHigh && n <= ResourceTemporarilyNotAvailable
}

// UnsaidToAll reports whether the code is not sent in answer to a functional request
// (ISO 14229-1:2013 clause 7.5): whoever lacks something that all were asked for is
// silent.
func (n NRC) UnsaidToAll() bool {
	switch n {
	case ServiceNotSupported, SubFunctionNotSupported, RequestOutOfRange,
		SubFunctionNotSupportedInActiveSession, ServiceNotSupportedInActiveSession:
		return true
	}
	return false
}
