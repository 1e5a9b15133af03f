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
}

// loadNames are the names under drives: in circuits.yaml, in the order of load*.
var loadNames = [...]string{
	"starter_relay", "fuel_pump", "fan", "mil", "security_lamp", "throttle", "injectors_1", "injectors_2", "spark",
}

const (
	loadStarter = iota
	loadPump
	loadFan
	loadMIL
	loadSecurity
	loadThrottle
	loadInjectors1
	loadInjectors2
	loadSpark
	loadCount
)

// powered is what works at the actuators in this step.
type powered [loadCount]bool

func (c *Car) actuate() {
	a := &c.Actuators
	cmd := [loadCount]bool{a.StarterRelay, a.FuelPump, a.Fan, a.MIL, a.SecurityLamp, a.Throttle,
		a.FuelMg[0] > 0, a.FuelMg[1] > 0, a.Spark}
	for i := range cmd {
		c.on[i] = c.loads[i].works(cmd[i])
	}
	// Injectors and coils are pulsed: a driver held on by a short does not time
	// anything, so it neither meters fuel nor fires.
	for _, i := range [...]int{loadInjectors1, loadInjectors2, loadSpark} {
		c.on[i] = c.on[i] && cmd[i]
	}
}

// Exchange is what the ECUs tell each other. It is here until they do so in
// frames on the network.
type Exchange struct {
	// VehicleKmh is the brake ECU's road speed, valid while BrakeECU is set.
	VehicleKmh float64
	BrakeECU   bool
	// KeyCode is the transponder the body ECU has accepted, 0 without; valid
	// while BodyECU is set.
	KeyCode float64
	BodyECU bool
	// EngineLocked is the engine ECU's word that it does not know the key.
	EngineLocked bool
}
