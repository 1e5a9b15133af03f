package app

import (
	"fmt"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// dt is the step of every program, in seconds.
const dt = float64(car.StepTime) / float64(time.Second)

// lockedS is how long after key on the program waits for the body ECU's word.
const lockedS = 0.8

// slowEvery is how many steps lie between two runs of the slow task: learned
// values, temperatures, monitors.
const slowEvery = 4

// Engine is the engine ECU's program.
type Engine struct {
	// Readings is what the diagnostic server reports.
	Readings *signal.Table
	at       engineRefs

	car *car.Car
	cal *calibration
	nv  NV
	mil func() bool
	// askLamp has the memory report the lamp as lit until the key is off.
	askLamp func()
	mon     engineMonitors
	pin     enginePins

	routineLimit float64 // rev/min, 0 for none
	drivers      driverSet
	refs         [2]*car.Rail // 5 V references, nil without
	ears         ears
	hear         struct{ kmh, key, selector, gear, lamp signal.Ref }
	// held are the outputs that the diagnostic server holds; boot is that it has
	// nothing but its boot program.
	held     []held
	boot     bool
	measured measured
	engineState
}

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
	upS     float64 // time since power came
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

// NewEngine builds the program on a car's wiring. The error names the circuits
// that the car lacks, or what is wrong with its calibration.
func NewEngine(c *car.Car, codes Codes, nv NV) (*Engine, error) {
	cal, err := loadCalibration(c.Spec())
	if err != nil {
		return nil, err
	}
	e := &Engine{Readings: &signal.Table{}, car: c, cal: cal, nv: nv, mil: lampOf(codes), askLamp: askerOf(codes)}
	e.Readings.Declare(&e.at)
	e.measured = defineMeasured(e.Readings, cal.Cylinders)
	p := pins{car: c}
	e.pin = findEnginePins(&p, cal)
	if len(p.missing) > 0 {
		return nil, fmt.Errorf("engine ECU: the car %s has no circuit %s", c.Spec().Name, strings.Join(p.missing, ", "))
	}
	declareMonitors(&e.mon, codes)
	e.drivers = findDrivers(&p, codes, loads, cal.Cylinders)
	e.refs[0], _ = c.Rail("sensor-5v-a")
	e.refs[1], _ = c.Rail("sensor-5v-b")
	partners := []partner{brakeLost.as(e.at.LostBrake), bodyLost.as(e.at.LostBody)}
	values := []signal.Info{
		{Name: "vehicle_kmh", Unit: "km/h", Text: "road speed"},
		{Name: "key_code", Text: "transponder number of the key that the body ECU has accepted, 0 for none"},
	}
	if cal.Selector != nil {
		partners = append(partners, boxLost.as(e.at.LostGearbox))
		values = append(values, signal.Info{Name: "selector", Text: "lever: 0 P, 1 R, 2 N, 3 D"},
			signal.Info{Name: "gearbox_gear", Text: "gear: -1 reverse, 0 neutral, 1 and up"},
			signal.Info{Name: "gearbox_lamp", Unit: "bool", Text: "a code of the gearbox ECU asks for the lamp"})
	}
	e.ears = newEars(codes, e.at.BusOff, partners, values...)
	e.hear.kmh, e.hear.key = e.ears.ref("vehicle_kmh"), e.ears.ref("key_code")
	if cal.Selector != nil {
		e.hear.selector, e.hear.gear, e.hear.lamp = e.ears.ref("selector"), e.ears.ref("gearbox_gear"), e.ears.ref("gearbox_lamp")
	}
	e.Restart()
	return e, nil
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
	if e.steps == 0 && !e.Readings.Is(e.at.Powered) {
		return
	}
	e.forget(e.in.baroKPa)
	a, lamp := &e.car.Actuators, e.car.Actuators.SecurityLamp
	*a = car.Actuators{SecurityLamp: lamp}
	for r := range signal.Ref(e.Readings.Len()) {
		e.Readings.Set(r, 0)
	}
}

// forget leaves the state of a program that has just started.
func (e *Engine) forget(baroKPa float64) {
	t := &e.cal.Temperatures
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
