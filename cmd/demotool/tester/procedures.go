package tester

import "time"

// unit is the control unit that a procedure is for.
type unit uint8

const (
	unitEngine  unit = iota // who knows the engine's speed
	unitBrake               // who listens to 7E1
	unitBody                // the body control unit beyond OBD
	unitGearbox             // who listens to 18DA18F1
)

// procedure is one learn routine and what the person has to do for it.
type procedure struct {
	position string
	rid      uint16
	unit     unit
	// level of security that its start needs, 0 for none.
	level    byte
	cautions []string
	before   string // what to do before the routine starts
	during   string // what to do while it runs
	after    string // what to do when it has finished
	hold     string // what was not held when it aborted
	// refused is what conditions "not correct" (22) most likely are.
	refused string
	// running: the engine has to run; hot: how warm it has to be then, in degC.
	running bool
	hot     float64
	// cut: the engine is taken to its fuel cut.
	cut bool
	// wait is a time that has to pass with the key on, before a key cycle.
	wait time.Duration
	gap  time.Duration // between two questions for the result
	// limit of one run of the routine.
	limit time.Duration
}

// Words that several procedures share.
const (
	manualFirst = "the workshop manual of the car comes first"
	engineOff   = "key on, engine off; parking brake set, gearbox in neutral"
	blocked     = "block the wheels, set the parking brake, gearbox in neutral"
	ventilated  = "good ventilation or exhaust extraction; nobody under or in front of the car"
)

var procedures = []procedure{
	{
		position: "clutch", rid: 0x0210,
		cautions: []string{engineOff},
		before:   "press the clutch pedal fully down and hold it there",
		during:   "keep the clutch pedal fully down",
		after:    "release the clutch pedal",
		hold:     "the clutch pedal was not held fully down",
		refused:  "key on, engine off, clutch pedal fully down and held?",
		gap:      500 * time.Millisecond,
		limit:    20 * time.Second,
	},
	{
		position: "crank-variation", rid: 0x0211,
		cautions: []string{
			manualFirst, blocked, ventilated,
			"the engine runs near its limit for a moment: keep hands and clothes away from belts and fans",
		},
		before:  "warm engine, idling, parking brake set, gearbox in neutral",
		during:  "open the throttle fully until the control unit cuts the fuel (a V8 near 4000 rpm), then release it at once",
		after:   "the key cycle has finished it",
		hold:    "the throttle was released too early, or a condition was lost",
		refused: "is the parking brake set?",
		running: true, hot: 65, cut: true,
		gap:   200 * time.Millisecond, // an engine on its way to the cut is quick
		limit: 90 * time.Second,
	},
	{
		position: "throttle-rest", rid: 0x0212,
		cautions: []string{engineOff, "the plate moves by itself: fingers and tools out of the throttle"},
		before:   "key on, engine off, accelerator pedal released",
		during:   "leave key and pedals alone",
		after:    "the rest position is stored",
		hold:     "key, pedal or supply did not stay as they were",
		refused:  "is the key on?",
		gap:      500 * time.Millisecond,
		limit:    20 * time.Second,
	},
	{
		position: "idle-air", rid: 0x0213,
		cautions: []string{manualFirst, blocked, ventilated},
		before:   "warm engine, idling, consumers off, pedals released, gearbox in neutral",
		during:   "let the engine idle and leave the pedals alone",
		after:    "the idle air is stored",
		hold:     "the engine was not left to idle",
		refused:  "is the throttle rest position learned?",
		running:  true, hot: 70,
		gap:   500 * time.Millisecond,
		limit: 60 * time.Second,
	},
	{
		position: "exchange", rid: 0x0220, level: 1,
		cautions: []string{
			engineOff,
			"only for a car whose owner has shown that it is his; local law and the maker's rules for security data apply",
			"connect a charger that supports the supply: the key stays on for ten minutes",
		},
		before:  "key on, engine off, the car's own key in the lock",
		during:  "leave the key on for ten minutes; the security lamp is lit; a key that is turned too early starts the wait again",
		after:   "the control unit knows the key",
		hold:    "no key was accepted",
		refused: "is the vehicle number written, is a key accepted by the body control unit?",
		wait:    10 * time.Minute,
		gap:     2 * time.Second,
		limit:   13 * time.Minute,
	},
	{
		position: "key", rid: 0x0320, unit: unitBody, level: 1,
		cautions: []string{engineOff, "only for a car whose owner has shown that it is his; local law and the maker's rules for security data apply"},
		before:   "key on, with the key that is to be learned",
		during:   "leave the key in the lock",
		after:    "the body control unit knows the key",
		hold:     "the key was turned, or its transponder not read",
		refused:  "is the key on, is its transponder read?",
		gap:      500 * time.Millisecond,
		limit:    20 * time.Second,
	},
	{
		position: "steering-zero", rid: 0x0230, unit: unitBrake,
		cautions: []string{engineOff, "stability control takes its direction from this: front wheels truly straight, axle geometry checked"},
		before:   "key on, the front wheels straight ahead, nobody moves the car",
		during:   "leave steering wheel and car alone",
		after:    "the zero of the steering angle is stored",
		hold:     "the steering wheel was turned, or the car moved",
		refused:  "do the wheels point straight ahead?",
		gap:      500 * time.Millisecond,
		limit:    20 * time.Second,
	},
	{
		position: "battery", rid: 0x0330, unit: unitBody,
		cautions: []string{engineOff, "battery acid and gas: eye protection, no sparks, charger off and disconnected"},
		before:   "key on, engine off, the new battery fitted and at rest",
		during:   "leave the key on",
		after:    "the rest voltage of the new battery is stored",
		hold:     "the key was turned, or the supply sank",
		refused:  "is the key on?",
		gap:      500 * time.Millisecond,
		limit:    20 * time.Second,
	},
	{
		position: "shift-adaptation", rid: 0x0240, unit: unitGearbox,
		cautions: []string{"key on, engine off; parking brake set, lever at P", "the first shifts of the next drive are rougher: somewhere without traffic"},
		before:   "key on, engine off, lever at P",
		during:   "leave key and lever alone",
		after:    "what the gearbox had learned of its shifts is erased",
		hold:     "key, lever or engine did not stay as they were",
		refused:  "is the key on?",
		gap:      500 * time.Millisecond,
		limit:    20 * time.Second,
	},
}

// Positions are what the task learn can be asked for.
var Positions = func() []string {
	var names []string
	for i := range procedures {
		names = append(names, procedures[i].position)
	}
	return names
}()

// procedureOf finds the procedure of a position.
func procedureOf(position string) *procedure {
	for i := range procedures {
		if procedures[i].position == position {
			return &procedures[i]
		}
	}
	return nil
}

// LimitOf is how long a task may take where nobody says otherwise. A wait that a
// key turned too early starts again may be tried three times.
func LimitOf(task, position string) time.Duration {
	p := procedureOf(position)
	switch {
	case task != "learn" || p == nil:
		return DefaultLimit
	case p.wait > 0:
		return DefaultLearnLimit + maxStarts*p.limit
	}
	return DefaultLearnLimit
}
