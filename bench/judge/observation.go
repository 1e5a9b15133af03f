package judge

import (
	"slices"
	"time"

	"sawhorse/canbus/uds"
)

// Kind says what was observed.
type Kind uint8

// The kinds of observation. Request and Response are whole diagnostic messages,
// seen on the bus; Frame is any frame.
const (
	Request Kind = iota
	Response
	Frame
	Line
	FaultOn
	FaultOff
	TaskStart
	TaskEnd
	Driver
	// Kinds is how many there are.
	Kinds
)

var kindNames = [Kinds]string{
	Request:   "request",
	Response:  "response",
	Frame:     "frame",
	Line:      "line",
	FaultOn:   "fault-on",
	FaultOff:  "fault-off",
	TaskStart: "task-start",
	TaskEnd:   "task-end",
	Driver:    "driver",
}

// String is the name that conditions use: event.kind == "task-end".
func (k Kind) String() string {
	if k < Kinds {
		return kindNames[k]
	}
	return "unknown"
}

// KindNames lists the names, by kind.
func KindNames() []string { return slices.Clone(kindNames[:]) }

// KindOf is the kind of a name.
func KindOf(name string) (Kind, bool) {
	i := slices.Index(kindNames[:], name)
	return Kind(max(0, i)), i >= 0
}

// ChangesState reports whether such an observation moves task, faults or the
// driver's controls, so that conditions on states must be looked at again.
func (k Kind) ChangesState() bool { return k >= FaultOn }

// How a task ended, in [Observation.Status].
const (
	// StatusOK: the tool ended and said that it succeeded.
	StatusOK = "ok"
	// StatusFailed: the tool ended and said that it did not succeed.
	StatusFailed = "failed"
	// StatusTimeout: the tool had not ended by its limit and was killed.
	StatusTimeout = "timeout"
	// StatusCrashed: the tool was ended by a signal or its output cannot be read.
	StatusCrashed = "crashed"
	// StatusNotApplicable: the tool's profile lacks the task.
	StatusNotApplicable = "not-applicable"
	// StatusNotSeen: nobody knows how it ended, as a tool in somebody's hands sent
	// nothing, or nobody said how it went.
	StatusNotSeen = "not-seen"
	// StatusOurs: the bench could not run the task; no fault of the tool.
	StatusOurs = "ours"
)

// Statuses lists the ways a task can end.
func Statuses() []string {
	return []string{StatusOK, StatusFailed, StatusTimeout, StatusCrashed, StatusNotApplicable, StatusNotSeen, StatusOurs}
}

// Misleads is the status of a fault that keeps the tool from seeing or sending what is
// on the bus: what it does then is not held against it.
const Misleads = "misleads"

// Observation is one thing that an outsider could see. Make one with [Saw], which
// marks the numbers as absent. The judge keeps no reference to it.
type Observation struct {
	// Time is when it was complete, since the run began. It never goes back.
	Time time.Duration
	Kind Kind
	// First and Last are the numbers, from 1, of its frames in the run's
	// capture; 0 for what was not on the bus.
	First, Last int
	// ID is the CAN identifier, or -1.
	ID int
	// ECU names the addressed or answering module; "" if unknown or several.
	ECU string
	// Service is the service of the request; for a response the one it answers.
	// Sub is the sub-function without its suppress bit, PID the parameter or
	// infotype of an OBD request, DID and RID data and routine identifier. -1
	// where the message has none.
	Service, Sub, PID, DID, RID int
	// Data is the whole message, its service byte included.
	Data []byte
	// Positive is set for a positive response.
	Positive bool
	// NRC is the negative response code, or -1.
	NRC int
	// Functional marks a request to all modules.
	Functional bool
	// Why is the unit's own reason for a refusal, where it is known: it is shown, and
	// conditions cannot see it.
	Why string
	// Text is a line of the tool, or a remark to show as evidence.
	Text string
	// Line numbers the tool's lines of one task from 1.
	Line int
	// Task is the task that started or ended, or that printed the line.
	Task string
	// Status is one of the Status constants, for TaskEnd; Misleads, or nothing, for
	// FaultOn and FaultOff.
	Status string
	// Fault names the fault that went on or off.
	Fault string
	// Control is the driver's control that moved.
	Control string
	// Report is what the tool said in the task, for TaskEnd; nil if the
	// profile reads nothing.
	Report *Report
}

// Saw returns an observation whose optional numbers are absent.
func Saw(kind Kind, at time.Duration) Observation {
	return Observation{Time: at, Kind: kind, ID: -1, Service: -1, Sub: -1, PID: -1, DID: -1, RID: -1, NRC: -1}
}

// Suppressed reports whether a request asks for no positive response
// (ISO 14229-1:2020, 8.2.2: bit 7 of the sub-function).
func (o *Observation) Suppressed() bool {
	return o.Sub >= 0 && len(o.Data) > 1 && o.Data[1]&uds.SuppressPositiveResponse != 0
}

// Message returns the observation of a diagnostic message: kind Request or
// Response, decoded as ISO 14229-1:2020 clause 8 and ISO 15031-5 lay it out.
// Bytes that are missing leave their numbers absent. data is kept, not copied.
func Message(kind Kind, at time.Duration, data []byte) Observation {
	o := Saw(kind, at)
	o.Data = data
	if len(data) == 0 {
		return o
	}
	if kind == Response && data[0] == uds.NegativeResponse {
		if len(data) > 1 {
			o.Service = int(data[1])
		}
		if len(data) > 2 {
			o.NRC = int(data[2])
		}
		return o
	}
	sid := uds.Service(data[0])
	if kind == Response {
		o.Positive = true
		sid -= uds.PositiveOffset
	}
	o.Service = int(sid)
	switch {
	case len(data) < 2:
	case sid <= uds.VehicleInformation && sid != uds.ConfirmedCodes && sid != uds.ClearCodes && sid != uds.PendingCodes:
		o.PID = int(data[1])
	case sid.HasSubFunction():
		o.Sub = int(data[1] &^ uds.SuppressPositiveResponse)
		if sid == uds.RoutineControl && len(data) > 3 {
			o.RID = int(data[2])<<8 | int(data[3])
		}
	case len(data) > 2 && (sid == uds.ReadDataByIdentifier || sid == uds.WriteDataByIdentifier || sid == uds.InputOutputControlByIdentifier || sid == uds.ReadScalingDataByIdentifier):
		o.DID = int(data[1])<<8 | int(data[2])
	}
	return o
}
