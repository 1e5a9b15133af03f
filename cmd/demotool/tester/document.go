package tester

import "encoding/json"

// Exit statuses of the tool.
const (
	StatusDone    = 0 // the task is done
	StatusRefused = 1 // the car or a condition refused it
	StatusUsage   = 2 // the command line is wrong
	StatusNoCar   = 3 // nobody answered
	StatusLost    = 4 // who answered before does no longer
	StatusStopped = 5 // interrupted, or the limit over all was reached
	StatusPartly  = 6 // done, but a control unit did not say what it has to
)

// Document is what the tool prints on standard output, as one JSON object. A
// list that could not be read is null; one that was read and holds nothing is
// empty.
type Document struct {
	// Task is the sub-command, one of Tasks.
	Task string `json:"task"`
	// Status is the exit status; Reason says it in words.
	Status int    `json:"status"`
	Reason string `json:"reason"`
	// VIN is the vehicle's number from the first control unit that gave one.
	VIN string `json:"vin,omitempty"`
	// ECUs are in the order of their identifiers, UDS-only ones last.
	ECUs []*ECU `json:"ecus"`
	// Learn is there after the task learn only.
	Learn *Learn `json:"learn,omitempty"`
	// Output is there after the task drive-output only.
	Output *Driven `json:"output,omitempty"`
	// Written is there after the task write-identity only.
	Written *Written `json:"written,omitempty"`
	// Cleared is there after the task clear-codes only.
	Cleared *bool `json:"cleared,omitempty"`
	// Problems lists what was wrong with answers, in the order it was seen.
	Problems []string `json:"problems"`
}

// ECU is one control unit.
type ECU struct {
	// Name is the control unit's own (service 09 type 0A, DID F197), or the
	// identifier it listens to.
	Name  string `json:"name"`
	Title string `json:"title,omitempty"`
	// Listens and Answers are its request and response identifiers in hex.
	Listens string `json:"listens"`
	Answers string `json:"answers"`
	// Protocol is obd or uds.
	Protocol      string   `json:"protocol"`
	VIN           string   `json:"vin,omitempty"`
	Calibrations  []string `json:"calibrations"`
	Verifications []string `json:"verifications"`
	// Identifiers are UDS identification texts by DID in hex.
	Identifiers []Identifier `json:"identifiers"`
	Readiness   *Readiness   `json:"readiness"`
	Codes
	// Before holds codes and freeze frame as they were before a clear.
	Before *Codes `json:"before,omitempty"`
	// Refused names why it refused to clear, "" if it did not.
	Refused string  `json:"refused,omitempty"`
	Live    []Value `json:"live"`
}

// Codes are the trouble codes of one control unit.
type Codes struct {
	Stored    []Code `json:"stored"`
	Pending   []Code `json:"pending"`
	Permanent []Code `json:"permanent"`
	// FreezeFrames are those that are stored; null where nobody answered.
	FreezeFrames []FreezeFrame `json:"freeze_frame"`
}

// FreezeFrame is frame 00 of service 02.
type FreezeFrame struct {
	Code   string  `json:"code"`
	Values []Value `json:"values"`
}

// Identifier is one UDS identification.
type Identifier struct {
	DID  string `json:"did"`
	Text string `json:"text"`
}

// Learn is the result of a learn routine.
type Learn struct {
	Position string `json:"position"`
	Routine  string `json:"routine"`
	// Outcome is learned, refused, aborted or failed.
	Outcome  string `json:"outcome"`
	Reason   string `json:"reason"`
	Attempts int    `json:"attempts"`
}

// Written is the result of writing an identity.
type Written struct {
	// ECU is whom it was written to, as it names itself; DID the identifier in
	// hex, Text what was to be written.
	ECU  string `json:"ecu"`
	DID  string `json:"did"`
	Text string `json:"text"`
	// Outcome is written, refused or failed. Written means that it was read back.
	Outcome string `json:"outcome"`
	Reason  string `json:"reason"`
}

// encode writes the document with a line feed at its end.
func (d *Document) encode() []byte {
	b, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		panic(err) // the types above have no value that JSON cannot hold
	}
	return append(b, '\n')
}
