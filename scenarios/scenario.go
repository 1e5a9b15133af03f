package scenarios

import (
	"time"

	"sawhorse/bench/judge/cel"
	"sawhorse/bench/judge/monitor"
)

// Scenario is one file, resolved.
type Scenario struct {
	// File is where it was read, Source its text.
	File   string
	Source []byte
	// Name is the file's name without its extension; Title one line; About some
	// sentences for people.
	Name, Title, About string
	// Complaint is what the customer says, who may be wrong: it is told to whoever
	// looks for the fault and has no part in the run or its verdicts.
	Complaint string
	// Cautions are read before somebody repeats this on a real car.
	Cautions []string
	Car      string
	Bus      Bus
	// Duration bounds the run.
	Duration   time.Duration
	Seed       uint64
	Faults     []Fault
	Driver     []Step
	Background *Background
	Tasks      []Task
	Expect     []monitor.Expectation
	Rules      Rules
}

// Rules says how the rules for every tool are applied. The zero value holds them all,
// those of severity "should" as advice.
type Rules struct {
	// Strict has broken advice fail the run, too.
	Strict bool
	Except []Exception
}

// Exception is a rule that this scenario does not hold against a tool.
type Exception struct{ Rule, Because string }

// Bus is the embedded bus; rates in bit/s, DataRate 0 for classical CAN.
type Bus struct{ Rate, DataRate int }

// Trigger is a moment: a time since the start of the run, or a time after the
// beginnings of a condition.
type Trigger struct {
	// When, if set, is the condition and After the time from its beginning;
	// else At is the moment.
	When      *cel.Condition
	After, At time.Duration
	// Nth, if not 0, takes the Nth beginning of When only.
	Nth int
	// Set is false where the file says nothing.
	Set bool
}

// Fault is one fault of the catalogue at its times. It comes at From (zero: the
// start). It goes after For or at Until, whichever is set; else it stays. Every, if
// set, repeats a fault with For, until Until if that is set, too.
type Fault struct {
	Fault  string
	Params map[string]any // float64, bool or string, as the catalogue declares
	From   Trigger
	Until  time.Duration
	For    time.Duration
	Every  time.Duration
	// Random, if set, has it come and go by chance, between From and Until.
	Random *Random
	// While, if set, has it on as long as a state holds; nothing else is set then.
	While *cel.Condition
}

// Random is a fault that comes and goes by chance.
type Random struct {
	// Between is the mean time from its going to its next coming. Rate, in its
	// place, is how often it comes in a second, as the car's signals say: a fault
	// that follows vibration or temperature.
	Between time.Duration
	Rate    *cel.Number
	// Lasting is the mean time that it stays.
	Lasting time.Duration
	// Spread is how both times are distributed: exponential, uniform (0 to twice
	// the mean), normal (standard deviation a third of the mean) or fixed.
	Spread string
}

// Spreads are the distributions of Random.
var Spreads = []string{"exponential", "uniform", "normal", "fixed"}

// Step is something the driver does: controls moved at one moment, each time a
// condition begins. Drive are the moves of a whole drive that begins then, with
// their times from that moment.
type Step struct {
	Trigger
	Moves []Move
	Drive []Leg
}

// Leg is a part of a drive: what is moved so long after its beginning.
type Leg struct {
	After time.Duration
	Moves []Move
}

// DriveKind is a drive that scenarios may name.
type DriveKind struct {
	ID   string
	Legs []Leg
}

// Move sets one control: key (off, accessory, on, start), clutch, accelerator,
// brake (0 to 100 % pressed), gear (-1 to 6), selector (P, R, N, D), parking_brake,
// door_open (true, false), steering (degrees at the wheel, left positive).
type Move struct{ Control, Value string }

// Background is recorded traffic behind the car.
type Background struct {
	// Capture is the recording; Otherwise the one to take where it is missing.
	Capture, Otherwise string
	Loop               bool
	Speed              float64
	// From and To cut the recording; To 0 is its end.
	From, To time.Duration
}

// Task is something asked of the tool. Start not Set means when the task before
// has ended.
type Task struct {
	Task  string
	Args  map[string]string
	Start Trigger
	// Limit is the time the tool may take, then it is stopped.
	Limit time.Duration
}

// DefaultLimit is the time a task may take where the scenario says nothing.
const DefaultLimit = 60 * time.Second

// Vocabulary is what the loader must be told, as it knows no car.
type Vocabulary struct {
	// Cars lists the names; Language gives the conditions' language about one.
	Cars     []string
	Language func(car string) (*cel.Language, error)
	// Controls are what the driver of a car can move; nil lets every car have all.
	Controls func(car string) []string
	// Signals are those of a car's own, which its driver can move; nil has none.
	Signals func(car string) []Movable
	// Faults are those that a scenario may name; asked for only if it has any.
	Faults func() []FaultKind
	// Drives are those that a car can be driven; nil has none.
	Drives func(car string) []DriveKind
}

// Movable is a signal of a car's own: true or false, or a number in a range.
type Movable struct {
	Name     string
	Bool     bool
	Min, Max float64
}

// FaultKind is a fault that scenarios may name.
type FaultKind struct {
	ID     string
	Params []Param
}

// Param is a parameter of a fault. Its kind is told by Kind: "number" between Min
// and Max, "bool", or "text", one of Words if there are any.
type Param struct {
	Name, Kind string
	Min, Max   float64
	Words      []string
}

// OfCar in place of a vehicle's number means that of the car on the bench.
const OfCar = "car"
