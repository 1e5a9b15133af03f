package app

import (
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// lockedS is how long after key on the program waits for the body ECU's word.
const lockedS = 0.8

// slowEvery is how many steps lie between two runs of the slow task: learned
// values, temperatures, monitors.
const slowEvery = 4

// Engine is the engine ECU's program.
type Engine struct {
	base
	at  engineRefs
	mon engineMonitors

	cal *calibration
	mil func() bool
	// askLamp has the memory report the lamp as lit until the key is off.
	askLamp func()
	pin     enginePins

	routineLimit float64 // rev/min, 0 for none
	drivers      driverSet
	refs         [2]*car.Rail // 5 V references, nil without
	hear         struct{ kmh, key, selector, gear, lamp signal.Ref }
	// held are the outputs that the diagnostic server holds; boot is that it has
	// nothing but its boot program.
	held     []held
	boot     bool
	measured measured
	engineState
}

func init() { register("engine", NewEngine) }

// engineState is what a reset of the ECU forgets.
type engineState struct {
	in      inputs
	learned learnedValues
	start   startState
	air     airState
	fuel    fuelState
	idle    idleState
	bank    [2]bankState
	fault   faultState
	steps   int
	runS    float64
	fanOn   bool
	catC    float64
	misfire misfireState
	evap    evapState
	watch   watchState
	locked  bool // the key is not known
}

// learnedValues are the values of non-volatile memory that the program uses.
type learnedValues struct {
	clutch            bool
	releasedV         float64
	pressedV          float64
	variation         float64
	variationLearned  bool
	throttleRestV     float64
	throttleLearned   bool
	idleAir           float64
	keyCode           float64
	keyKnown, keyGood bool
}

// NewEngine builds the program on a car's wiring; errors as New.
func NewEngine(c *car.Car, codes Codes, nv NV) (*Engine, error) {
	cal, err := loadCalibration(c.Spec())
	if err != nil {
		return nil, err
	}
	e := &Engine{base: newBase("engine", c, codes, nv), cal: cal, mil: lampOf(codes), askLamp: askerOf(codes)}
	e.readings.Declare(&e.at)
	declareMonitors(&e.mon, codes)
	e.measured = defineMeasured(e.readings, cal.Cylinders)
	e.memory = engineMemory
	e.outputs = engineOutputs(cal.Cylinders)
	e.pin = findEnginePins(&e.base, cal)
	e.drivers = findDrivers(&e.base, loads, cal.Cylinders)
	e.refs[0], _ = c.Rail("sensor-5v-a")
	e.refs[1], _ = c.Rail("sensor-5v-b")
	e.listensTo(brakeLost, bodyLost)
	e.hear.kmh = e.hears("vehicle_kmh", "km/h", "road speed")
	e.hear.key = e.hears("key_code", "", "transponder number of the key that the body ECU has accepted, 0 for none")
	if cal.Selector != nil {
		e.listensTo(boxLost)
		e.hear.selector = e.hears("selector", "", "lever: 0 P, 1 R, 2 N, 3 D")
		e.hear.gear = e.hears("gearbox_gear", "", "gear: -1 reverse, 0 neutral, 1 and up")
		e.hear.lamp = e.hears("gearbox_lamp", "bool", "a code of the gearbox ECU asks for the lamp")
	}
	e.Restart()
	return e, e.whole()
}

// engineMemory are the values that the engine ECU keeps.
var engineMemory = []string{
	"clutch_released_v", "clutch_pressed_v", "crank_variation", "throttle_rest_v", "idle_air", "immobiliser_key",
}

// Restart is a reset of the ECU: everything but non-volatile memory is forgotten.
func (e *Engine) Restart() {
	e.forget(101)
	e.routineLimit = 0
}

// Routine tells the program which service routine runs and in which step; an
// empty step ends it. The crank variation learn cuts the fuel at its own limit.
func (e *Engine) Routine(name, step string) {
	if !strings.HasPrefix(name, "crank-variation") {
		return
	}
	e.routineLimit = 0
	if step != "" {
		e.routineLimit = e.cal.Fuel.LearnLimitRPM
	}
}

// Step runs the program once; call it every car.StepTime.
func (e *Engine) Step(now time.Duration) {
	e.readSupply()
	if !e.in.powered {
		e.off()
		return
	}
	e.upS += dt
	slow := e.steps%slowEvery == 0
	e.steps++
	if slow {
		e.recall()
		e.readSlow()
	}
	e.readFast()
	e.turnState()
	e.countMisfires()
	e.runStarter()
	e.measureAir()
	e.holdIdle()
	e.meterFuel()
	e.purgeTank(now)
	e.lightLamps()
	e.obey()
	if slow {
		e.monitor(now)
		e.publishSlow()
	}
	e.publish()
}

// off is an ECU without supply: its drivers are off and it forgets the drive.
func (e *Engine) off() {
	if e.steps == 0 && !e.on() {
		return
	}
	e.forget(e.in.baroKPa)
	a, lamp := &e.car.Actuators, e.car.Actuators.SecurityLamp
	*a = car.Actuators{SecurityLamp: lamp}
	e.dark()
}

// forget leaves the state of a program that has just started.
func (e *Engine) forget(baroKPa float64) {
	t := &e.cal.Temperatures
	e.upS = 0
	e.engineState = engineState{in: inputs{baroKPa: baroKPa, coolantC: t.SubstituteCoolant, intakeC: t.SubstituteIntake}}
}

// recall looks into non-volatile memory, where a learn routine may have stored
// or a fault erased something.
func (e *Engine) recall() {
	l := &e.learned
	if c := e.cal.Clutch; c != nil {
		rel, ok1 := e.nv.Get("clutch_released_v")
		prs, ok2 := e.nv.Get("clutch_pressed_v")
		l.clutch = ok1 && ok2 && prs > rel+0.5
		l.releasedV, l.pressedV = c.ReleasedV, c.PressedV
		if l.clutch {
			l.releasedV, l.pressedV = rel, prs
		}
	}
	l.variation, l.variationLearned = e.nv.Get("crank_variation")
	l.variation = min(max(l.variation, 0), 5)
	v, ok := e.nv.Get("throttle_rest_v")
	if l.throttleLearned = ok; ok {
		l.throttleRestV = v
	} else {
		l.throttleRestV = e.cal.Pins.Throttle[0]
	}
	l.idleAir, _ = e.nv.Get("idle_air")
	l.idleAir = min(max(l.idleAir, -5), 5)
	l.keyCode, l.keyKnown = e.nv.Get("immobiliser_key")
	if code, ok := e.ears.value(e.hear.key, 0); ok && l.keyKnown && code != 0 && code == l.keyCode {
		l.keyGood = true // until power goes
	}
	e.locked = e.upS > lockedS && !l.keyGood
}
