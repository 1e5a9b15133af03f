package uds

import "fmt"

// Service is the first byte of a request.
type Service uint8

// Services of emission OBD (SAE J1979 / ISO 15031-5 clause 8). Service 05 does not exist
// on CAN.
const (
	CurrentData        Service = 0x01
	FreezeFrame        Service = 0x02
	ConfirmedCodes     Service = 0x03
	ClearCodes         Service = 0x04
	MonitorResults     Service = 0x06
	PendingCodes       Service = 0x07
	ControlOfSystem    Service = 0x08
	VehicleInformation Service = 0x09
	PermanentCodes     Service = 0x0A
)

// LastOBD is the highest service of emission OBD.
const LastOBD = PermanentCodes

// Services of UDS (ISO 14229-1:2020 table 2; 83 is of earlier editions).
const (
	DiagnosticSessionControl        Service = 0x10
	ECUReset                        Service = 0x11
	ClearDiagnosticInformation      Service = 0x14
	ReadDTCInformation              Service = 0x19
	ReadDataByIdentifier            Service = 0x22
	ReadMemoryByAddress             Service = 0x23
	ReadScalingDataByIdentifier     Service = 0x24
	SecurityAccess                  Service = 0x27
	CommunicationControl            Service = 0x28
	Authentication                  Service = 0x29
	ReadDataByPeriodicIdentifier    Service = 0x2A
	DynamicallyDefineDataIdentifier Service = 0x2C
	WriteDataByIdentifier           Service = 0x2E
	InputOutputControlByIdentifier  Service = 0x2F
	RoutineControl                  Service = 0x31
	RequestDownload                 Service = 0x34
	RequestUpload                   Service = 0x35
	TransferData                    Service = 0x36
	RequestTransferExit             Service = 0x37
	RequestFileTransfer             Service = 0x38
	WriteMemoryByAddress            Service = 0x3D
	TesterPresent                   Service = 0x3E
	AccessTimingParameter           Service = 0x83
	SecuredDataTransmission         Service = 0x84
	ControlDTCSetting               Service = 0x85
	ResponseOnEvent                 Service = 0x86
	LinkControl                     Service = 0x87
)

const (
	// PositiveOffset is what a positive response adds to the service of its request
	// (ISO 14229-1:2020 clause 8.3).
	PositiveOffset = 0x40
	// NegativeResponse is the first byte of a negative response, before the service of
	// the request and the negative response code (clause 8.4).
	NegativeResponse = 0x7F
	// SuppressPositiveResponse is the bit of a sub-function that asks for no positive
	// response (clause 8.2.2).
	SuppressPositiveResponse = 0x80
	// InputOutputReturnControl to InputOutputShortTermAdjustment are the control
	// parameters of InputOutputControlByIdentifier (table C.13, from memory).
	InputOutputReturnControl       = 0x00
	InputOutputResetToDefault      = 0x01
	InputOutputFreezeCurrentState  = 0x02
	InputOutputShortTermAdjustment = 0x03
	// PeriodicSlow to PeriodicStop are the modes of ReadDataByPeriodicIdentifier
	// (table C.10, from memory).
	PeriodicSlow   = 0x01
	PeriodicMedium = 0x02
	PeriodicFast   = 0x03
	PeriodicStop   = 0x04
)

// service is what a standard says of a service.
type service struct {
	name string
	// subs are the names of its sub-functions by their number; nil for a service
	// without, empty where the number itself says what it is.
	subs []string
}

var services = [...]service{
	CurrentData:        {name: "current data"},
	FreezeFrame:        {name: "freeze frame"},
	ConfirmedCodes:     {name: "confirmed trouble codes"},
	ClearCodes:         {name: "clear"},
	MonitorResults:     {name: "monitor results"},
	PendingCodes:       {name: "pending trouble codes"},
	ControlOfSystem:    {name: "control of a system"},
	VehicleInformation: {name: "vehicle information"},
	PermanentCodes:     {name: "permanent trouble codes"},

	DiagnosticSessionControl:        {name: "DiagnosticSessionControl", subs: sessions},
	ECUReset:                        {name: "ECUReset", subs: resets},
	ClearDiagnosticInformation:      {name: "ClearDiagnosticInformation"},
	ReadDTCInformation:              {name: "ReadDTCInformation", subs: reports},
	ReadDataByIdentifier:            {name: "ReadDataByIdentifier"},
	ReadMemoryByAddress:             {name: "ReadMemoryByAddress"},
	ReadScalingDataByIdentifier:     {name: "ReadScalingDataByIdentifier"},
	SecurityAccess:                  {name: "SecurityAccess", subs: []string{}},
	CommunicationControl:            {name: "CommunicationControl", subs: communications},
	Authentication:                  {name: "Authentication", subs: authentications},
	ReadDataByPeriodicIdentifier:    {name: "ReadDataByPeriodicIdentifier"},
	DynamicallyDefineDataIdentifier: {name: "DynamicallyDefineDataIdentifier", subs: definitions},
	WriteDataByIdentifier:           {name: "WriteDataByIdentifier"},
	InputOutputControlByIdentifier:  {name: "InputOutputControlByIdentifier"},
	RoutineControl:                  {name: "RoutineControl", subs: routines},
	RequestDownload:                 {name: "RequestDownload"},
	RequestUpload:                   {name: "RequestUpload"},
	TransferData:                    {name: "TransferData"},
	RequestTransferExit:             {name: "RequestTransferExit"},
	RequestFileTransfer:             {name: "RequestFileTransfer"},
	WriteMemoryByAddress:            {name: "WriteMemoryByAddress"},
	TesterPresent:                   {name: "TesterPresent", subs: presences},
	AccessTimingParameter:           {name: "AccessTimingParameter", subs: timings},
	SecuredDataTransmission:         {name: "SecuredDataTransmission"},
	ControlDTCSetting:               {name: "ControlDTCSetting", subs: settings},
	ResponseOnEvent:                 {name: "ResponseOnEvent", subs: events},
	LinkControl:                     {name: "LinkControl", subs: links},
}

// String is the standard's name, or "service XX".
func (s Service) String() string {
	if s.Known() {
		return services[s].name
	}
	return fmt.Sprintf("service %02X", uint8(s))
}

// Known reports whether a standard names the service.
func (s Service) Known() bool { return int(s) < len(services) && services[s].name != "" }

// IsOBD reports whether it is in the range of emission OBD.
func (s Service) IsOBD() bool { return s > 0 && s <= LastOBD }

// IsRequest reports whether the byte can begin a request: bit 6 marks responses.
func (s Service) IsRequest() bool { return s&PositiveOffset == 0 }

// Positive is the first byte of the positive response.
func (s Service) Positive() byte { return byte(s) + PositiveOffset }

// HasSubFunction reports whether the byte after the service is a sub-function
// (ISO 14229-1:2020 table 2).
func (s Service) HasSubFunction() bool { return s.Known() && services[s].subs != nil }

// SubFunction is the standard's name of a sub-function, given without its suppress bit;
// "" if it has none.
func (s Service) SubFunction(sub byte) string {
	if s == SecurityAccess {
		if sub&1 == 0 {
			return "sendKey"
		}
		return "requestSeed"
	}
	if !s.Known() || int(sub) >= len(services[s].subs) {
		return ""
	}
	return services[s].subs[sub]
}

// Refuse is the negative response to a request.
func Refuse(s Service, why NRC) []byte { return []byte{NegativeResponse, byte(s), byte(why)} }
