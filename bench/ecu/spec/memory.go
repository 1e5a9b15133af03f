package spec

import "sawhorse/canbus/uds"

// Memory says what the code memory watches and where it starts.
type Memory struct {
	// Running holds while the engine runs; without it every operation cycle
	// is a driving cycle.
	Running *Condition `yaml:"running"`
	// Idle holds while the car stands idling.
	Idle     []Condition `yaml:"idle"`
	CoolantC string      `yaml:"coolant"`
	Kmh      string      `yaml:"speed"`
	// AmbientC and BaroKPa bound the drives that the in-use counters count; without a
	// reading the weather is mild and the sea near.
	AmbientC string `yaml:"ambient"`
	BaroKPa  string `yaml:"baro"`
	// Readiness lists the supported monitors.
	Readiness []string `yaml:"readiness"`
	// Enable are the conditions without which a monitor does not run.
	Enable []Enable `yaml:"enable"`
	// Similar names the readings of similar conditions; nil judges misfire and
	// fuel system as everything else.
	Similar *Similar `yaml:"similar"`
	// ClearNeeds must hold for services 04 and 14.
	ClearNeeds []Condition `yaml:"clear_needs"`
	// History is the life before the run; without it memory is as after a clear.
	History *History `yaml:"history"`
}

// History is the life of a unit before the run.
type History struct {
	WarmUps    uint8   `yaml:"warm_ups"`
	Km         float64 `yaml:"km"`
	Minutes    float64 `yaml:"minutes"`
	Ignitions  uint16  `yaml:"ignitions"`
	Conditions uint16  `yaml:"conditions"`
	// InUse are the monitors' own counters.
	InUse []InUse `yaml:"in_use"`
}

// InUse is where the in-use counters of one monitor start.
type InUse struct {
	Ratio      string `yaml:"ratio"`
	Completed  uint16 `yaml:"completed"`
	Conditions uint16 `yaml:"conditions"`
}

// Similar names the readings by which conditions are compared; the warm-up
// state is that of the coolant.
type Similar struct {
	RPM  string `yaml:"rpm"`
	Load string `yaml:"load"`
}

// Code is one trouble code and how it lives.
type Code struct {
	Code string `yaml:"code"`
	// FTB is the failure type byte, the third byte of UDS (ISO 15031-6).
	FTB  uint8  `yaml:"ftb"`
	Text string `yaml:"text"`
	// Kind is "monitored" for a monitor with debounce, "condition" for a state
	// of memory that needs none and is confirmed at first sight.
	Kind string `yaml:"kind"`
	// Trips is the number of driving cycles with a failure until confirmed.
	Trips int `yaml:"trips"`
	// MIL marks a code that asks for the lamp.
	MIL bool `yaml:"mil"`
	// Emission marks a code of the emission group, which services 03 07 0A list.
	Emission bool `yaml:"emission"`
	// Fail and Pass are the debounce times.
	Fail Span `yaml:"fail"`
	Pass Span `yaml:"pass"`
	// Priority ranks the freeze frame: 2 for misfire and fuel system, else 1.
	Priority int `yaml:"priority"`
	// Monitor is the readiness monitor the code belongs to, if any.
	Monitor string `yaml:"monitor"`
	// Ratio is the in-use performance counter it feeds, if any.
	Ratio string `yaml:"ratio"`
	// Severity is the severity byte of service 19: 80 check at once, 40 at the next
	// halt, 20 maintenance only, and the class in bits 4 to 0. Unit is the
	// functional unit.
	Severity uint8 `yaml:"severity"`
	Unit     uint8 `yaml:"unit"`

	dtc uds.DTC
}

// DTC is the code in its two bytes.
func (c *Code) DTC() uds.DTC { return c.dtc }

// Number is the three-byte form of a code: two bytes and the failure type.
func (c *Code) Number() uint32 { return uint32(c.dtc)<<8 | uint32(c.FTB) }

// Enable says when the codes of a readiness monitor are tested at all.
type Enable struct {
	Monitor string      `yaml:"monitor"`
	When    []Condition `yaml:"when"`
	// For is how long the conditions must have held.
	For Span `yaml:"for"`
}
