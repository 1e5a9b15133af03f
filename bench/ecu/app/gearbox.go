package app

import (
	"fmt"
	"math"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/car/exact"
	"sawhorse/bench/signal"
)

// gearboxRefs are the readings of the gearbox ECU, one entry each.
type gearboxRefs struct {
	EngineRPM     signal.Ref `name:"engine_rpm" unit:"rev/min" text:"engine speed, from the engine ECU"`
	EngineRunning signal.Ref `name:"engine_running" unit:"bool" text:"engine runs, from the engine ECU"`
	Pedal         signal.Ref `name:"pedal_pct" unit:"%" text:"accelerator pedal, from the engine ECU"`
	Vehicle       signal.Ref `name:"vehicle_kmh" unit:"km/h" text:"road speed from the gearbox's output"`
	Selector      signal.Ref `name:"selector" text:"lever: 0 P, 1 R, 2 N, 3 D"`
	SelectorV     signal.Ref `name:"selector_v" unit:"V" text:"sensor of the lever"`
	Gear          signal.Ref `name:"gear" text:"gear commanded: -1 reverse, 0 neutral, 1 and up"`
	Ratio         signal.Ref `name:"gear_ratio" text:"turbine's speed over the output's"`
	Turbine       signal.Ref `name:"turbine_rpm" unit:"rev/min" text:"speed of the converter's turbine"`
	Output        signal.Ref `name:"output_rpm" unit:"rev/min" text:"speed of the gearbox's output"`
	Fluid         signal.Ref `name:"fluid_c" unit:"degC" text:"fluid temperature"`
	FluidV        signal.Ref `name:"fluid_v" unit:"V" text:"fluid temperature sensor"`
	Lockup        signal.Ref `name:"lockup" unit:"bool" text:"lock-up clutch commanded closed"`
	LockupSlip    signal.Ref `name:"lockup_slip_rpm" unit:"rev/min" text:"engine speed over the turbine's"`
	Ease          signal.Ref `name:"ease_pct" unit:"%" text:"line pressure taken away"`
	ShiftA        signal.Ref `name:"shift_a" unit:"bool" text:"shift valve a commanded"`
	ShiftB        signal.Ref `name:"shift_b" unit:"bool" text:"shift valve b commanded"`
	Limp          signal.Ref `name:"limp" unit:"bool" text:"solenoids off, the gearbox keeps one gear"`
	ShiftTime     signal.Ref `name:"shift_time_s" unit:"s" text:"how long the last upshift took"`
	Adapt         signal.Ref `name:"shift_adapt_pct" unit:"%" text:"learned correction of the pressure in an upshift"`
	AdaptFresh    signal.Ref `name:"shift_adapt_fresh" unit:"%" text:"that of a gearbox which has adapted nothing"`
	Lamp          signal.Ref `name:"lamp_asked" unit:"bool" text:"a code asks for the malfunction lamp"`
}

// gearboxLoads are the solenoids and their codes.
var gearboxLoads = []load{
	{"shift-solenoid-a", "P0753", "P0753", "P0753"},
	{"shift-solenoid-b", "P0758", "P0758", "P0758"},
	{"lockup-solenoid", "P0743", "P0743", "P0743"},
	{"pressure-solenoid", "P0748", "P0748", "P0748"},
}

// gearboxMonitors are the gearbox ECU's monitors, apart from those of the ratios.
type gearboxMonitors struct {
	SelectorLow     monitor `code:"P0707"`
	SelectorHigh    monitor `code:"P0708"`
	SelectorBetween monitor `code:"P0706"`
	FluidLow        monitor `code:"P0712"`
	FluidHigh       monitor `code:"P0713"`
	Turbine         monitor `code:"P0717"`
	Output          monitor `code:"P0722"`
	LockupSlips     monitor `code:"P0741"`
	TooHot          monitor `code:"P0218"`
}

// Gearbox is the program of an automatic gearbox's ECU.
type Gearbox struct {
	base
	at       gearboxRefs
	mon      gearboxMonitors
	ratioMon []monitor // one for each gear

	cal     *shiftPoints
	mil     func() bool
	drivers driverSet
	hear    struct{ rpm, pedal, running, kmh signal.Ref }

	selector, turbine, output, fluid *car.Circuit

	gearboxState
}

func init() { register("gearbox", NewGearbox) }

// gearboxState is what a reset of the ECU forgets.
type gearboxState struct {
	steps     int
	position  int
	gear      int     // commanded
	shiftS    float64 // since the last shift
	timing    bool    // an upshift is being timed
	ratio     float64
	lockup    bool
	lockedS   float64
	limp      bool
	turbineN  float64
	outputN   float64
	fluidC    float64
	fluidV    float64
	selectorV float64

	selectorBad, fluidBad, turbineBad, outputBad judged
	wrong                                        []float64 // seconds of a wrong ratio, by gear
	adapt                                        float64
	ease                                         float64
}

// NewGearbox builds the program on a car's wiring; errors as New.
func NewGearbox(c *car.Car, codes Codes, nv NV) (*Gearbox, error) {
	cal, err := loadShiftPoints(c.Spec())
	if err != nil {
		return nil, err
	}
	g := &Gearbox{base: newBase("gearbox", c, codes, nv), cal: cal, mil: lampOf(codes)}
	g.readings.Declare(&g.at)
	declareMonitors(&g.mon, codes)
	for i := range cal.Ratios {
		g.ratioMon = append(g.ratioMon, newMonitor(codes, fmt.Sprintf("P073%d", i+1)))
	}
	g.memory = []string{"shift_adapt"}
	g.selector, g.turbine = g.need("selector-sensor"), g.need("turbine-sensor")
	g.output, g.fluid = g.need("output-sensor"), g.need("fluid-sensor")
	g.drivers = findDrivers(&g.base, gearboxLoads, 0)
	g.listensTo(engineLost, brakeLost)
	g.hear.rpm = g.hears("engine_rpm", "rev/min", "engine speed")
	g.hear.pedal = g.hears("pedal_pct", "%", "accelerator pedal")
	g.hear.running = g.hears("engine_running", "bool", "engine runs")
	g.hear.kmh = g.hears("vehicle_kmh", "km/h", "road speed")
	g.Restart()
	return g, g.whole()
}

// Restart is a reset of the ECU: everything but non-volatile memory is forgotten.
func (g *Gearbox) Restart() {
	g.base.Restart()
	g.gearboxState = gearboxState{fluidC: g.cal.Substitute, wrong: make([]float64, len(g.cal.Ratios))}
}

// Step runs the program once; call it every car.StepTime.
func (g *Gearbox) Step(now time.Duration) {
	v, alive := g.supplied()
	if !alive || !g.keyOn() {
		g.off()
		return
	}
	g.upS += dt
	slow := g.steps%slowEvery == 0
	g.steps++
	g.read(v, slow)
	g.chooseGear()
	g.closeLockup()
	g.command()
	if slow {
		g.monitor(now, v)
	}
	g.tell(v)
}

// off is an ECU without supply.
func (g *Gearbox) off() {
	if !g.on() {
		return
	}
	g.Restart()
	a := &g.car.Actuators
	a.ShiftA, a.ShiftB, a.Lockup, a.Ease, a.EasePct = false, false, false, false, 0
	g.dark()
}

func (g *Gearbox) read(v float64, slow bool) {
	cal := g.cal
	g.turbineN, g.outputN = g.turbine.Hertz()/cal.TurbineHz, g.output.Hertz()/cal.OutputHz
	g.ratio = 0
	if g.outputN > 50 {
		g.ratio = g.turbineN / g.outputN
	}
	if !slow {
		return
	}
	g.selectorV, g.fluidV = adc(g.selector.Volts()), adc(g.fluid.Volts())
	at := float64(percent(g.selectorV, cal.SelectorV) / 100 * car.SelectorD)
	if g.selectorV >= ratioLowV && g.selectorV <= ratioHighV {
		g.position = int(math.Floor(at + 0.5))
	}
	if !g.fluidBad.bad && g.fluidV >= ntcLowV && g.fluidV <= ntcHighV {
		ohm := cal.FluidPull * max(g.fluidV, 0.001) / (5 - g.fluidV)
		g.fluidC = min(max(1/(1/(cal.FluidAtC+273.15)+exact.Log(ohm/cal.FluidOhm)/cal.FluidBK)-273.15, -40), 200)
	} else if g.fluidBad.bad {
		g.fluidC = cal.Substitute
	}
	g.adapt, _ = g.nv.Get("shift_adapt")
	g.adapt = min(max(g.adapt, -cal.MostPct), cal.MostPct)
}

// kmh is the road speed by the output's sensor, or by the brake ECU's word.
func (g *Gearbox) kmh() float64 {
	if v, heard := g.ears.value(g.hear.kmh, 0); heard && g.outputBad.bad {
		return v
	}
	return g.outputN / g.cal.RPMPerKmh
}

// pedal is the driver's demand; without the engine ECU's word, half of it.
func (g *Gearbox) pedal() float64 {
	pedal, _ := g.ears.value(g.hear.pedal, 50)
	return pedal
}

// chooseGear follows the schedule, one gear at a time.
func (g *Gearbox) chooseGear() {
	cal := g.cal
	g.shiftS += dt
	switch {
	case g.selectorBad.bad:
		// The lever's valve still works; what it is at is not known.
		g.gear, g.limp = 1, true
		return
	case g.position == car.SelectorR:
		g.gear = -1
		return
	case g.position != car.SelectorD:
		g.gear = 0
		return
	case g.gear <= 0:
		g.gear, g.shiftS = 1, 0
	}
	if g.shiftS < cal.HoldS || g.limp {
		return
	}
	pedal, kmh := g.pedal(), g.kmh()
	if pedal >= cal.KickdownPct {
		pedal = 100
	}
	switch {
	case g.gear < len(cal.Ratios) && kmh > cal.Up[g.gear-1].At(pedal):
		g.shift(g.gear + 1)
	case g.gear > 1 && kmh < cal.Down[g.gear-2].At(pedal) && float64(kmh*cal.RPMPerKmh*cal.Ratios[g.gear-2]) < cal.LimitRPM:
		g.shift(g.gear - 1)
	}
}

func (g *Gearbox) shift(to int) {
	g.timing = to > g.gear && !g.turbineBad.bad && !g.outputBad.bad
	g.gear, g.shiftS, g.lockup = to, 0, false
}

// closeLockup closes the converter's clutch when nothing shifts, warm enough and
// fast enough, and opens it for power and near a standstill.
func (g *Gearbox) closeLockup() {
	c := &g.cal.Lockup
	kmh := g.kmh()
	from := c.FromKmh
	if g.lockup {
		from = c.BackKmh
	}
	g.lockup = g.gear >= c.FromGear && !g.limp && kmh > from && g.shiftS > 1 && g.fluidC > c.FromC && g.pedal() < c.MostPct &&
		!g.turbineBad.bad && !g.drivers.failed("lockup-solenoid")
	g.lockedS += dt
	if !g.lockup {
		g.lockedS = 0
	}
}

// command drives the solenoids. In an upshift the pressure falls by what is
// calibrated and learned, the less the more torque there is to carry, so that the
// elements close gently.
func (g *Gearbox) command() {
	cal, a := g.cal, &g.car.Actuators
	a.ShiftA, a.ShiftB = false, false
	if g.gear > 0 && !g.limp {
		s := cal.Solenoids[g.gear-1]
		a.ShiftA, a.ShiftB = s[0], s[1]
	}
	a.Lockup = g.lockup
	g.ease = 0
	if g.gear > 1 && g.shiftS < cal.EaseS && !g.limp {
		g.ease = min(max(float64(cal.EasePct*(1-g.pedal()/100))+g.adapt, 0), 90)
	}
	a.Ease, a.EasePct = g.ease > 0, g.ease
	g.timeShift()
}

// timeShift measures an upshift until the turbine turns with the new ratio, and
// learns from it: a slow one wants more pressure.
func (g *Gearbox) timeShift() {
	if !g.timing || g.gear < 1 {
		return
	}
	want := g.cal.Ratios[g.gear-1]
	done := g.ratio > 0 && g.ratio < float64(want*1.04)
	if !done && g.shiftS < 3 {
		return
	}
	g.timing = false
	if !done || g.pedal() < 8 || g.fluidC < g.cal.Lockup.FromC {
		return
	}
	g.readings.Set(g.at.ShiftTime, g.shiftS)
	miss := g.shiftS - g.cal.WishS
	if nv, ok := g.nv.(interface{ Set(string, float64) }); ok && (miss > 0.1 || miss < -0.1) {
		step := 0.5
		if miss > 0 {
			step = -0.5
		}
		nv.Set("shift_adapt", min(max(g.adapt+step, -g.cal.MostPct), g.cal.MostPct))
	}
}

// tell writes the readings.
func (g *Gearbox) tell(v float64) {
	r, a := g.readings, &g.car.Actuators
	g.show(car.KeyOn, v)
	rpm, heard := g.ears.value(g.hear.rpm, 0)
	runs, _ := g.ears.value(g.hear.running, 0)
	r.Set(g.at.EngineRPM, rpm)
	r.Trust(g.at.EngineRPM, heard)
	r.Set(g.at.EngineRunning, runs)
	r.SetBool(g.at.Lamp, g.mil())
	r.Set(g.at.Pedal, g.pedal())
	r.Set(g.at.Vehicle, g.kmh())
	r.Set(g.at.Selector, float64(g.position))
	r.Set(g.at.SelectorV, g.selectorV)
	gear := g.gear
	if g.limp && gear > 0 {
		gear = g.rest()
	}
	r.Set(g.at.Gear, float64(gear))
	r.Set(g.at.Ratio, g.ratio)
	r.Set(g.at.Turbine, g.turbineN)
	r.Set(g.at.Output, g.outputN)
	r.Set(g.at.Fluid, g.fluidC)
	r.Set(g.at.FluidV, g.fluidV)
	r.SetBool(g.at.Lockup, g.lockup)
	r.Set(g.at.LockupSlip, rpm-g.turbineN)
	r.Trust(g.at.Selector, !g.selectorBad.bad)
	r.Trust(g.at.Turbine, !g.turbineBad.bad)
	r.Trust(g.at.Output, !g.outputBad.bad)
	r.Trust(g.at.Fluid, !g.fluidBad.bad)
	r.Set(g.at.Ease, g.ease)
	r.SetBool(g.at.ShiftA, a.ShiftA)
	r.SetBool(g.at.ShiftB, a.ShiftB)
	r.SetBool(g.at.Limp, g.limp)
	r.Set(g.at.Adapt, g.adapt)
}

// rest is the gear that the valves make without current.
func (g *Gearbox) rest() int {
	for i, s := range g.cal.Solenoids {
		if s == [2]bool{} {
			return i + 1
		}
	}
	return 0
}

// monitor runs every monitor whose conditions are met.
func (g *Gearbox) monitor(now time.Duration, v float64) {
	if g.upS < settleS || v < monitorsFromV {
		return
	}
	m := &g.mon
	low, high := g.selectorV < ratioLowV, g.selectorV > ratioHighV
	m.SelectorLow.test(now, low)
	m.SelectorHigh.test(now, high)
	g.selectorBad.see(low || high)
	at := float64(percent(g.selectorV, g.cal.SelectorV) / 100 * car.SelectorD)
	off := at - float64(g.position)
	m.SelectorBetween.test(now, !low && !high && (off > 0.3 || off < -0.3))
	low, high = g.fluidV < 0.05, g.fluidV > ntcHighV
	m.FluidLow.test(now, low)
	m.FluidHigh.test(now, high)
	g.fluidBad.see(low || high)
	m.TooHot.test(now, !g.fluidBad.bad && g.fluidC > g.cal.HotC)
	g.drivers.monitor(now, v)
	if g.drivers.failed("shift-solenoid-a") || g.drivers.failed("shift-solenoid-b") {
		g.limp = true
	}
	g.monitorSpeeds(now)
	g.monitorRatio(now)
	g.listen(now, v)
}

// monitorSpeeds compares the two speed sensors with the engine and the wheels.
func (g *Gearbox) monitorSpeeds(now time.Duration) {
	m := &g.mon
	if v, heard := g.ears.value(g.hear.kmh, 0); heard && v > 15 {
		dead := g.outputN < 50
		g.outputBad.see(dead)
		m.Output.test(now, dead)
	}
	if rpm, heard := g.ears.value(g.hear.rpm, 0); heard && rpm > 800 && g.kmh() > 15 && g.gear > 0 && g.shiftS > 1 {
		dead := g.turbineN < 50
		g.turbineBad.see(dead)
		m.Turbine.test(now, dead)
	}
}

// monitorRatio compares the ratio of the two speeds with the gear's, and looks at
// the slip of a closed lock-up clutch.
func (g *Gearbox) monitorRatio(now time.Duration) {
	m, cal := &g.mon, g.cal
	if g.gear < 1 || g.limp || g.turbineBad.bad || g.outputBad.bad || g.outputN < 250 || g.turbineN < 250 || g.shiftS < 1.5 || g.position != car.SelectorD {
		return
	}
	i := g.gear - 1
	off := (g.ratio/cal.Ratios[i] - 1) * 100
	wrong := off > cal.RatioPct || off < -cal.RatioPct
	g.ratioMon[i].test(now, wrong)
	g.wrong[i] += slowEvery * dt
	if !wrong {
		g.wrong[i] = 0
	}
	if g.wrong[i] > 2.5 {
		g.limp = true // better one gear that is known than slipping in all
	}
	if rpm, heard := g.ears.value(g.hear.rpm, 0); heard && g.lockedS > 2 {
		m.LockupSlips.test(now, rpm-g.turbineN > cal.Lockup.SlipRPM)
	}
}

// monitorSelector compares the engine ECU's own switch with the gearbox ECU's
// word, and asks for the lamp when that one does.
func (e *Engine) monitorSelector(now time.Duration) {
	if e.cal.Selector == nil || e.upS < lostS {
		return
	}
	if lever, heard := e.ears.value(e.hear.selector, 0); heard {
		e.mon.ParkNeutral.test(now, e.in.parkNeutral != (lever == car.SelectorP || lever == car.SelectorN))
	}
	if lamp, heard := e.ears.value(e.hear.lamp, 0); heard {
		e.mon.GearboxLamp.test(now, lamp != 0)
	}
}
