package judge

import (
	"strconv"
	"time"

	"sawhorse/bench/task"
)

// Report is what a tool said at the end of a task, in our words.
type Report struct {
	// Reads are the fields that the tool's profile reads at all, Says those
	// that this output had. A list that the tool reported as empty is said.
	Reads, Says task.Fields
	VIN         string
	// ECUs are the modules found, by name or identifier as Options.ECUs has them.
	ECUs []string
	// Addresses are the request identifiers of the modules found, in hex: 7E0; nil
	// if the tool tells none.
	Addresses []string
	// Stored, Pending and Permanent are trouble codes such as P0102.
	Stored, Pending, Permanent []string
	// Lamp is the state of the malfunction lamp, Count the number of codes that the
	// control units say, all together.
	Lamp  bool
	Count int
	// Calibrations are the calibration ids of all control units.
	Calibrations []string
	// Learn is one of the task's Learn constants.
	Learn     string
	Readiness []Readiness
	Live      []Live
	// Freeze are the freeze frames.
	Freeze []Freeze
	// Output is how driving an output ended: one of the task's Output constants.
	Output string
	// Units are what it said of each control unit; the one without a name is what it
	// said of none in particular.
	Units []Unit
}

// Unit is what a tool said of one control unit.
type Unit struct {
	// Name and Address are as in ECUs and Addresses; Address "" where there is none.
	Name, Address string
	// States say of each field whether it was said, said to be empty, said not to be
	// known, or not said.
	States                     task.States
	VIN                        string // "" if it said none
	Stored, Pending, Permanent []string
	Calibrations               []string
	Freeze                     []Freeze
}

// NotKnown are the fields that the tool said not to be known, of any control unit or
// of the car.
func (r *Report) NotKnown() task.Fields {
	var f task.Fields
	for i := range r.Units {
		f |= r.Units[i].States.NotKnown()
	}
	return f
}

// Lost are the fields of which it said only that they are not known: of no control unit
// and of no car did it say more.
func (r *Report) Lost() task.Fields {
	f := r.NotKnown()
	for i := range r.Units {
		f &^= r.Units[i].States.Known()
	}
	return f
}

// Freeze is what was stored when a code came.
type Freeze struct {
	Code   string
	Values []Live
}

// Readiness is one monitor's state.
type Readiness struct {
	// Monitor is its name, as the scenario uses it.
	Monitor string
	// State is complete, incomplete or unsupported.
	State string
}

// Live is one value of live data.
type Live struct {
	// Name is the signal's, with the unit in it: coolant_c.
	Name  string
	Value float64
	// At is when it was read, if HasTime; else some time in the task.
	At      time.Duration
	HasTime bool
}

// List is the list of a field of codes or modules.
func (r *Report) List(field string) []string {
	switch field {
	case "ecus":
		return r.ECUs
	case "stored":
		return r.Stored
	case "pending":
		return r.Pending
	case "calibrations":
		return r.Calibrations
	case "freeze":
		var codes []string
		for i := range r.Freeze {
			codes = append(codes, r.Freeze[i].Code)
		}
		return codes
	default:
		return r.Permanent
	}
}

// Word is the value of a field that is one word.
func (r *Report) Word(field, name string) (string, bool) {
	switch field {
	case "vin":
		return r.VIN, true
	case "learn":
		return r.Learn, true
	case "output":
		return r.Output, true
	case "count":
		return strconv.Itoa(r.Count), true
	case "lamp":
		if r.Lamp {
			return "on", true
		}
		return "off", true
	default:
		for _, m := range r.Readiness {
			if m.Monitor == name {
				return m.State, true
			}
		}
		return "", false
	}
}

// LiveValue finds a value by name.
func (r *Report) LiveValue(name string) (Live, bool) {
	for _, l := range r.Live {
		if l.Name == name {
			return l, true
		}
	}
	return Live{}, false
}
