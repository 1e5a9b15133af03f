package spec

import (
	"sawhorse/bench/car/strict"
	"sawhorse/bench/ecu/program"
	"sawhorse/canbus"
)

// Unit is one control unit as data. Read it with [Load]; a Unit built by
// hand has not been checked.
type Unit struct {
	// Name is the unit's short name, unique in its car.
	Name string `yaml:"ecu"`
	// Title says for people what it is.
	Title     string             `yaml:"title"`
	Addresses Addresses          `yaml:"addresses"`
	Network   Network            `yaml:"network"`
	Timing    Timing             `yaml:"timing"`
	Power     Power              `yaml:"power"`
	Identity  map[string]string  `yaml:"identity"`
	Learned   map[string]float64 `yaml:"learned"`
	OBD       *OBD               `yaml:"obd"`
	Memory    Memory             `yaml:"memory"`
	Sessions  []Session          `yaml:"sessions"`
	Services  []Service          `yaml:"services"`
	Security  []Security         `yaml:"security"`
	Slow      []Slow             `yaml:"slow"`
	DIDs      []DID              `yaml:"dids"`
	Codes     []Code             `yaml:"codes"`
	Routines  []Routine          `yaml:"routines"`
	// Outputs are the actuators of service 2F.
	Outputs []Output `yaml:"outputs"`
	// Regions are the parts of memory of services 23, 2C and 34.
	Regions     []Region    `yaml:"regions"`
	Programming Programming `yaml:"programming"`
	// Program is the unit's program where that is data alone; nil without.
	Program *program.Data `yaml:"program"`

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

// Network says where the unit sits and when it sends its periodic messages: those
// that the bus's .dbc file gives to its node.
type Network struct {
	// Bus is one of the car's buses; "" is the first.
	Bus string `yaml:"bus"`
	// Node is the unit's name in the .dbc file; a unit without sends nothing.
	Node string `yaml:"node"`
	// Awake are the conditions of which one must hold for the unit to send; none
	// means that it sends as long as it is alive.
	Awake []Condition `yaml:"awake"`
	// Linger is how long it goes on when none holds any more.
	Linger Span `yaml:"linger"`
	// Hears are the messages of others that the unit depends on.
	Hears []Hear `yaml:"hears"`
}

// Hear is one message of another unit.
type Hear struct {
	Message string `yaml:"message"`
	// From is the unit whose silence or wrong data the program notices.
	From string `yaml:"from"`
	// Timeout is how long it may be missing; five cycles and at least 100 ms without.
	Timeout Span `yaml:"timeout"`
	// Takes are signals that become what the program hears.
	Takes []Take `yaml:"takes"`
}

// Take is one signal of a message, and its name for the program that hears it.
type Take struct {
	Signal string `yaml:"signal"`
	As     string `yaml:"as"`
}

// Timing bounds what the server takes for an answer and what transport does.
type Timing struct {
	// Least and Most bound the processing time of ordinary answers.
	Least Span `yaml:"least"`
	Most  Span `yaml:"most"`
	// Boot is the silence after power-up and reset.
	Boot Span `yaml:"boot"`
	// S3 ends a session without requests.
	S3 Span `yaml:"s3"`
	// BlockSize and STmin are what the unit asks of a sender.
	BlockSize uint8 `yaml:"block_size"`
	STmin     uint8 `yaml:"st_min"`
	// Periodic are the rates of service 2A.
	Periodic Periodic `yaml:"periodic"`
}

// Power says when the unit has its supply and when the operation cycle runs.
type Power struct {
	// Powered holds while the unit is alive.
	Powered Condition `yaml:"powered"`
	// Cycle holds from the start to the end of an operation cycle.
	Cycle Condition `yaml:"cycle"`
}
