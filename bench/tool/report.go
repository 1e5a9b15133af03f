package tool

import (
	"slices"

	"sawhorse/bench/task"
)

// Report is what a tool says, in the bench's words. What it did not say is
// absent: nil, or false in a Has field. A list that it said is empty is there
// and has no items.
type Report struct {
	// VIN is the vehicle's number.
	VIN    string `json:"vin,omitempty"`
	HasVIN bool   `json:"-"`
	// ECUs are the control units it found.
	ECUs []ECU `json:"ecus"`
	// Stored, Pending and Permanent are trouble codes of all control units.
	Stored    []Code `json:"stored"`
	Pending   []Code `json:"pending"`
	Permanent []Code `json:"permanent"`
	// Live are readings in the bench's units.
	Live []Value `json:"live"`
	// MIL is the lamp.
	MIL *bool `json:"mil"`
	// Count is the number of codes that the control units say, all together.
	Count *int `json:"count"`
	// Calibrations are the calibration ids.
	Calibrations []Calibration `json:"calibrations"`
	// Readiness lists monitors, FreezeFrames what is stored with codes.
	Readiness    []Monitor     `json:"readiness"`
	FreezeFrames []FreezeFrame `json:"freeze_frames"`
	// Learn is the result of a learn, Output that of driving an output, Cleared that
	// of a clear.
	Learn   *LearnResult  `json:"learn"`
	Output  *OutputResult `json:"output"`
	Cleared *bool         `json:"cleared"`
	// Extra holds what the profile names beyond that, in its order.
	Extra []Extra `json:"extra,omitempty"`
	// Told says of each control unit which fields were said, said to be empty or said
	// not to be known, in the order in which the units came up; the one without a name
	// is what was said of none in particular.
	Told []Told `json:"-"`
}

// Told is what was said of one control unit.
type Told struct {
	ECU    string
	States task.States
}

// tell notes the state of a field. One that was said before stays so: a list may come
// in parts.
func (r *Report) tell(ecu string, f task.Fields, s task.State) {
	i := slices.IndexFunc(r.Told, func(t Told) bool { return t.ECU == ecu })
	if i < 0 {
		i = len(r.Told)
		r.Told = append(r.Told, Told{ECU: ecu})
	}
	old := r.Told[i].States.Of(f)
	if old == task.NotSaid || old == task.Unknown || s == task.Said {
		r.Told[i].States.Set(f, s)
	}
}

// ECU is one control unit as the tool names it.
type ECU struct {
	Name string `json:"name"`
	// Address is its request identifier or whatever the tool gives, "" if none.
	Address string `json:"address,omitempty"`
	VIN     string `json:"vin,omitempty"`
}

// Code is a trouble code.
type Code struct {
	// Code is the letter and four hex digits, upper case.
	Code string `json:"code"`
	// FailureType is two hex digits where the tool gives them.
	FailureType string `json:"failure_type,omitempty"`
	// ECU is the control unit's name, "" where the tool does not say.
	ECU string `json:"ecu,omitempty"`
}

// Calibration is one calibration id.
type Calibration struct {
	ECU string `json:"ecu,omitempty"`
	ID  string `json:"id"`
}

// Value is one reading.
type Value struct {
	ECU string `json:"ecu,omitempty"`
	// Signal is the bench's name, as engine_rpm, where the profile knows one.
	Signal string  `json:"signal"`
	Value  float64 `json:"value"`
	Unit   string  `json:"unit,omitempty"`
}

// Monitor is one line of readiness.
type Monitor struct {
	ECU  string `json:"ecu,omitempty"`
	Name string `json:"name"`
	// Ready reports that it has finished since the last clear.
	Ready bool `json:"ready"`
}

// FreezeFrame is what was stored with a code.
type FreezeFrame struct {
	ECU    string  `json:"ecu,omitempty"`
	Code   string  `json:"code"`
	Values []Value `json:"values"`
}

// LearnResult is how a learn went.
type LearnResult struct {
	// Position is clutch or crank-variation.
	Position string `json:"position,omitempty"`
	// Outcome is one of learned, refused, aborted, failed.
	Outcome string `json:"outcome"`
	Reason  string `json:"reason,omitempty"`
}

var learnOutcomes = []string{"learned", "refused", "aborted", "failed"}

// OutputResult is how driving an output went.
type OutputResult struct {
	// Output is its name, as the task has it.
	Output string `json:"output,omitempty"`
	// Outcome is one of done, refused, failed.
	Outcome string `json:"outcome"`
	Reason  string `json:"reason,omitempty"`
}

// outputOutcomes are the ends that an output can have.
func outputOutcomes() []string {
	f, _ := task.FieldOf("output")
	return f.Words
}

// Extra is a value that the profile names for itself.
type Extra struct {
	Name  string `json:"name"`
	Value any    `json:"value"`
}
