package car

// Actuators is what the ECUs command. It reaches the car over the circuits that
// drive it.
type Actuators struct {
	StarterRelay bool
	FuelPump     bool
	Fan          bool
	MIL          bool
	SecurityLamp bool
	// Throttle gives the throttle's motor current; ThrottlePct is its target.
	Throttle    bool
	ThrottlePct float64
	// FuelMg is the fuel of one injection in mg, by bank.
	FuelMg [2]float64
	// Spark fires the coils, SparkDeg before top dead centre.
	Spark    bool
	SparkDeg float64
	// LambdaHeaters heats the lambda sensors.
	LambdaHeaters bool
	// InjectorOff keeps single cylinders without fuel: bit 0 is cylinder 1.
	InjectorOff uint16
	// PurgePct opens the purge valve; VentClosed shuts the canister's vent.
	PurgePct   float64
	VentClosed bool
	// Charge excites the alternator.
	Charge bool
	// ShiftA and ShiftB are the shift valves of an automatic gearbox, Lockup the
	// converter's clutch. Ease gives the pressure valve current, which takes EasePct
	// of the line pressure away.
	ShiftA, ShiftB, Lockup, Ease bool
	EasePct                      float64
}

const (
	loadStarter = iota
	loadPump
	loadFan
	loadMIL
	loadSecurity
	loadThrottle
	loadPurge
	loadVent
	loadCharge
	loadShiftA
	loadShiftB
	loadLockup
	loadPressure
	loadHeater
	loadInjector = loadHeater + 4
	loadCoil     = loadInjector + maxCylinders
	loadCount    = loadCoil + maxCylinders
)

// loadNames are the names under drives: in circuits.yaml; those of cylinders follow the
// first.
var loadNames = [loadCount]string{
	loadStarter:  "starter_relay",
	loadPump:     "fuel_pump",
	loadFan:      "fan",
	loadMIL:      "mil",
	loadSecurity: "security_lamp",
	loadThrottle: "throttle",
	loadPurge:    "purge",
	loadVent:     "vent",
	loadCharge:   "charge",
	loadShiftA:   "shift_a",
	loadShiftB:   "shift_b",
	loadLockup:   "lockup",
	loadPressure: "line_pressure",
	loadHeater:   "heater_b1s1", "heater_b1s2", "heater_b2s1", "heater_b2s2",
	loadInjector: "injector_1", "injector_2", "injector_3", "injector_4", "injector_5", "injector_6", "injector_7", "injector_8",
	"injector_9", "injector_10", "injector_11", "injector_12", "injector_13", "injector_14", "injector_15", "injector_16",
	loadCoil: "coil_1", "coil_2", "coil_3", "coil_4", "coil_5", "coil_6", "coil_7", "coil_8",
	"coil_9", "coil_10", "coil_11", "coil_12", "coil_13", "coil_14", "coil_15", "coil_16",
}

// powered is what works at the actuators in this step.
type powered [loadCount]bool

func (c *Car) actuate() {
	a := &c.Actuators
	for _, ci := range c.free {
		ci.works(ci.wanted)
	}
	cmd := [loadInjector]bool{loadStarter: a.StarterRelay, loadPump: a.FuelPump, loadFan: a.Fan, loadMIL: a.MIL,
		loadSecurity: a.SecurityLamp, loadThrottle: a.Throttle, loadPurge: a.PurgePct > 0, loadVent: a.VentClosed, loadCharge: a.Charge,
		loadShiftA: a.ShiftA, loadShiftB: a.ShiftB, loadLockup: a.Lockup, loadPressure: a.Ease,
		loadHeater: a.LambdaHeaters, loadHeater + 1: a.LambdaHeaters, loadHeater + 2: a.LambdaHeaters, loadHeater + 3: a.LambdaHeaters}
	for i, on := range cmd {
		if ci := c.loads[i]; ci.obeys() {
			ci.commanded = on
		} else {
			on = ci.works(on)
		}
		c.on[i] = on
	}
	// A relay's contact passes on what its fuse lets through.
	c.on[loadStarter] = c.passes(loadStarter, partStarterContact)
	c.on[loadPump] = c.passes(loadPump, partPumpContact)
	c.on[loadFan] = c.passes(loadFan, partFanContact)
	// Injectors and coils are pulsed: a driver held on by a short does not time
	// anything, so it neither meters fuel nor fires.
	for k := range c.spec.Engine.Cylinders {
		fuel := a.FuelMg[c.bankOf[k]] > 0 && a.InjectorOff>>k&1 == 0
		i, j := loadInjector+k, loadCoil+k
		if in := c.loads[i]; in.obeys() {
			in.commanded, c.on[i] = fuel, fuel
		} else {
			c.on[i] = in.works(fuel) && fuel
		}
		if coil := c.loads[j]; coil.obeys() {
			coil.commanded, c.on[j] = a.Spark, a.Spark
		} else {
			c.on[j] = coil.works(a.Spark) && a.Spark
		}
	}
}

func (c *Car) passes(load, contact int) bool {
	on := c.contact(contact, c.on[load])
	if r := c.contacts[load]; on && r != nil {
		return r.volts > 4
	}
	return on
}
