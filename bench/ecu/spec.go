package ecu

import (
	"slices"

	"sawhorse/bench/car/strict"
	"sawhorse/bench/ecu/program"
	"sawhorse/canbus"
)

// Spec is one control unit as data. Read it with [LoadSpec]; a Spec built by
// hand has not been checked.
type Spec struct {
	// Name is the unit's short name, unique in its car.
	Name string `yaml:"ecu"`
	// Title says for people what it is.
	Title     string             `yaml:"title"`
	Addresses Addresses          `yaml:"addresses"`
	Network   networkSpec        `yaml:"network"`
	Timing    timing             `yaml:"timing"`
	Power     power              `yaml:"power"`
	Identity  map[string]string  `yaml:"identity"`
	Learned   map[string]float64 `yaml:"learned"`
	OBD       *obdSpec           `yaml:"obd"`
	Memory    memorySpec         `yaml:"memory"`
	Sessions  []sessionSpec      `yaml:"sessions"`
	Services  []serviceSpec      `yaml:"services"`
	Security  []securitySpec     `yaml:"security"`
	Slow      []slowSpec         `yaml:"slow"`
	DIDs      []didSpec          `yaml:"dids"`
	Codes     []CodeSpec         `yaml:"codes"`
	Routines  []RoutineSpec      `yaml:"routines"`
	// Outputs are the actuators of service 2F.
	Outputs []outputSpec `yaml:"outputs"`
	// Regions are the parts of memory of services 23, 2C and 34.
	Regions []regionSpec `yaml:"regions"`
	Program programSpec  `yaml:"programming"`
	// App is the unit's program where that is data alone; nil without.
	App *program.Data `yaml:"program"`

	doc *strict.Doc
}

// Addresses are the identifiers a unit listens and answers on.
type Addresses struct {
	// Request and Response are the physical pair.
	Request  canbus.ID `yaml:"request"`
	Response canbus.ID `yaml:"response"`
	// Functional is the identifier shared with other units; nil for a unit
	// that only answers its own.
	Functional *canbus.ID `yaml:"functional"`
	// Extended marks 29-bit identifiers.
	Extended bool `yaml:"extended"`
}

// networkSpec says where the unit sits and when it sends its periodic messages: those
// that the bus's .dbc file gives to its node.
type networkSpec struct {
	// Bus is one of the car's buses; "" is the first.
	Bus string `yaml:"bus"`
	// Node is the unit's name in the .dbc file; a unit without sends nothing.
	Node string `yaml:"node"`
	// Awake are the conditions of which one must hold for the unit to send; none
	// means that it sends as long as it is alive.
	Awake []Condition `yaml:"awake"`
	// Linger is how long it goes on when none holds any more.
	Linger span `yaml:"linger"`
	// Hears are the messages of others that the unit depends on.
	Hears []hearSpec `yaml:"hears"`
}

// hearSpec is one message of another unit.
type hearSpec struct {
	Message string `yaml:"message"`
	// From is the unit whose silence or wrong data the program notices.
	From string `yaml:"from"`
	// Timeout is how long it may be missing; five cycles and at least 100 ms without.
	Timeout span `yaml:"timeout"`
	// Takes are signals that become what the program hears.
	Takes []takeSpec `yaml:"takes"`
}

type takeSpec struct {
	Signal string `yaml:"signal"`
	As     string `yaml:"as"`
}

// timing bounds what the server takes for an answer and what transport does.
type timing struct {
	// Least and Most bound the processing time of ordinary answers.
	Least span `yaml:"least"`
	Most  span `yaml:"most"`
	// Boot is the silence after power-up and reset.
	Boot span `yaml:"boot"`
	// S3 ends a session without requests.
	S3 span `yaml:"s3"`
	// BlockSize and STmin are what the unit asks of a sender.
	BlockSize uint8 `yaml:"block_size"`
	STmin     uint8 `yaml:"st_min"`
	// Periodic are the rates of service 2A.
	Periodic periodicSpec `yaml:"periodic"`
}

// power says when the unit has its supply and when the operation cycle runs.
type power struct {
	// Powered holds while the unit is alive.
	Powered Condition `yaml:"powered"`
	// Cycle holds from the start to the end of an operation cycle.
	Cycle Condition `yaml:"cycle"`
}

// Condition compares one reading with limits, all of which must hold.
type Condition struct {
	// Stored asks instead for something to be in non-volatile memory.
	Stored  string   `yaml:"stored"`
	Signal  string   `yaml:"signal"`
	Is      *float64 `yaml:"is"`
	Below   *float64 `yaml:"below"`
	Above   *float64 `yaml:"above"`
	AtLeast *float64 `yaml:"at_least"`
	AtMost  *float64 `yaml:"at_most"`
	// NRC is the negative response when a request needs the condition.
	NRC uint8 `yaml:"nrc"`
	// Reason is the byte a routine reports when the condition falls away.
	Reason uint8 `yaml:"reason"`
	// Again starts the step of a routine anew instead of ending it.
	Again bool `yaml:"again"`
	// Says is the reason in words: what is wrong when the condition fails.
	Says string `yaml:"says"`
}

// field is a group of bytes of an answer: exactly one source is set.
type field struct {
	// Signal is a reading, Learned a learned value; raw = (value-Offset)/PerBit.
	Signal  string `yaml:"signal"`
	Learned string `yaml:"learned"`
	// Text and HexText are identity in NV: as characters, or as hex digits.
	Text    string `yaml:"text"`
	HexText string `yaml:"hex_text"`
	// Const are fixed bytes.
	Const hexBytes `yaml:"const"`
	// State is one of the values the server or the code memory keep.
	State string `yaml:"state"`

	PerBit ratio   `yaml:"per_bit"`
	Offset float64 `yaml:"offset"`
	Bytes  int     `yaml:"bytes"`
	Signed bool    `yaml:"signed"`
}

// obdSpec is what the unit answers of SAE J1979.
type obdSpec struct {
	PIDs []pidSpec `yaml:"pids"`
	// Absent are PIDs that the unit does not have, and why.
	Absent    []absentSpec   `yaml:"absent"`
	Infotypes []infotypeSpec `yaml:"infotypes"`
	// FreezeFrame lists the PIDs of freeze frame 00, PID 02 aside.
	FreezeFrame []uint8 `yaml:"freeze_frame"`
	// Results are the tests of service 06.
	Results []resultSpec `yaml:"results"`
	// Tests are those of service 08.
	Tests []testSpec `yaml:"tests"`
}

type pidSpec struct {
	PID    uint8   `yaml:"pid"`
	Name   string  `yaml:"name"`
	Fields []field `yaml:"fields"`
}

type absentSpec struct {
	PIDs []uint8 `yaml:"pids"`
	Why  string  `yaml:"why"`
}

type infotypeSpec struct {
	Type uint8  `yaml:"type"`
	Name string `yaml:"name"`
	// Items is the count byte (NODI) of the answer.
	Items  uint8   `yaml:"items"`
	Fields []field `yaml:"fields"`
}

// memorySpec says what the code memory watches and where it starts.
type memorySpec struct {
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
	Enable []enableSpec `yaml:"enable"`
	// Similar names the readings of similar conditions; nil judges misfire and
	// fuel system as everything else.
	Similar *similarSpec `yaml:"similar"`
	// ClearNeeds must hold for services 04 and 14.
	ClearNeeds []Condition `yaml:"clear_needs"`
	// History is the life before the run; without it memory is as after a clear.
	History *history `yaml:"history"`
}

type history struct {
	WarmUps    uint8   `yaml:"warm_ups"`
	Km         float64 `yaml:"km"`
	Minutes    float64 `yaml:"minutes"`
	Ignitions  uint16  `yaml:"ignitions"`
	Conditions uint16  `yaml:"conditions"`
	// InUse are the monitors' own counters.
	InUse []usageSpec `yaml:"in_use"`
}

type usageSpec struct {
	Ratio      string `yaml:"ratio"`
	Completed  uint16 `yaml:"completed"`
	Conditions uint16 `yaml:"conditions"`
}

type sessionSpec struct {
	Session string `yaml:"session"`
	ID      uint8  `yaml:"id"`
	P2      span   `yaml:"p2"`
	P2Star  span   `yaml:"p2_star"`
	// From lists the sessions it can be entered from; none means all.
	From []string `yaml:"from"`
	// Needs must hold to enter it.
	Needs []Condition `yaml:"needs"`
}

// serviceSpec is a row of the table of services and sessions.
type serviceSpec struct {
	Service  uint8    `yaml:"service"`
	In       []string `yaml:"in"`
	Security uint8    `yaml:"security"`
	// Subs narrows the sub-functions; none means all that the server has.
	Subs []subSpec `yaml:"subs"`
	// Needs must hold for the service to act.
	Needs []Condition `yaml:"needs"`
}

type subSpec struct {
	Sub      uint8    `yaml:"sub"`
	In       []string `yaml:"in"`
	Security uint8    `yaml:"security"`
}

type securitySpec struct {
	Level    uint8  `yaml:"level"`
	Secret   uint32 `yaml:"secret"`
	Attempts int    `yaml:"attempts"`
	Delay    span   `yaml:"delay"`
}

// slowSpec names work that takes longer than an ordinary answer.
type slowSpec struct {
	Service uint8 `yaml:"service"`
	// Item narrows it to a sub-function, infotype, DID or RID.
	Item  *uint16 `yaml:"item"`
	Takes span    `yaml:"takes"`
}

type didSpec struct {
	DID      uint16     `yaml:"did"`
	Name     string     `yaml:"name"`
	Fields   []field    `yaml:"fields"`
	In       []string   `yaml:"in"`
	Security uint8      `yaml:"security"`
	Write    *writeSpec `yaml:"write"`
}

type writeSpec struct {
	In       []string    `yaml:"in"`
	Security uint8       `yaml:"security"`
	Needs    []Condition `yaml:"needs"`
}

// CodeSpec is one trouble code and how it lives.
type CodeSpec struct {
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
	Fail span `yaml:"fail"`
	Pass span `yaml:"pass"`
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

	dtc DTC
}

// DTC is the code in its two bytes.
func (c *CodeSpec) DTC() DTC { return c.dtc }

// RoutineSpec is one routine of service 31.
type RoutineSpec struct {
	Name string `yaml:"routine"`
	RID  uint16 `yaml:"rid"`
	// Does is what the routine does itself: erase a region (its request names it as
	// that of service 34 does) or verify what was programmed. Fails is the reason
	// when the checksum is wrong.
	Does     string   `yaml:"does"`
	Fails    uint8    `yaml:"fails"`
	In       []string `yaml:"in"`
	Security uint8    `yaml:"security"`
	// Needs must hold at the start, the first that fails gives its NRC.
	Needs []Condition `yaml:"needs"`
	// Hold must hold until the end, unless a step has its own.
	Hold  []Condition `yaml:"hold"`
	Steps []stepSpec  `yaml:"steps"`
	// Learns are stored when the last step is done.
	Learns []learnSpec `yaml:"learns"`
}

// stepSpec is one step of a routine: it lasts for a time, or until conditions
// hold at once.
type stepSpec struct {
	Step  string      `yaml:"step"`
	Takes span        `yaml:"takes"`
	Until []Condition `yaml:"until"`
	// Within bounds a step with Until.
	Within span `yaml:"within"`
	// Hold replaces the routine's; an empty list means none.
	Hold *[]Condition `yaml:"hold"`
	// Sessionless lets the step go on without the routine's session.
	Sessionless bool `yaml:"sessionless"`
	// Lasting lets the step go on after a loss of power, from its beginning.
	Lasting bool `yaml:"lasting"`
	// Sets are outputs held while the step lasts.
	Sets []setSpec `yaml:"sets"`
}

// learnSpec says what a routine stores: a reading taken over its steps.
type learnSpec struct {
	Value string `yaml:"value"`
	From  string `yaml:"from"`
	// Over is last, mean, highest or lowest.
	Over string  `yaml:"over"`
	Plus float64 `yaml:"plus"`
	// Onto adds to what was learned before.
	Onto bool `yaml:"onto"`
	// During names the step that is sampled; none means all.
	During string `yaml:"during"`
	// Between bounds a sound result; outside the routine fails with Reason.
	AtLeast *float64 `yaml:"at_least"`
	AtMost  *float64 `yaml:"at_most"`
	Reason  uint8    `yaml:"reason"`
}

// Code finds a code's place by its name.
func (s *Spec) Code(name string) (int, bool) {
	i := slices.IndexFunc(s.Codes, func(c CodeSpec) bool { return c.Code == name })
	return i, i >= 0
}

func (s *Spec) session(name string) *sessionSpec {
	i := slices.IndexFunc(s.Sessions, func(x sessionSpec) bool { return x.Session == name })
	if i < 0 {
		return nil
	}
	return &s.Sessions[i]
}
