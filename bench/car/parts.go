package car

import (
	"strconv"
	"strings"
)

// Part is one thing of the car that can be worn, stuck or leaking, as a number:
// its sound value, or another. What follows is worked out by the model.
type Part struct {
	Info    PartInfo
	value   float64
	changes *uint64 // of all the car's parts
}

// PartInfo describes a part.
type PartInfo struct {
	Name, Unit, Text string
	// Sound is the value of a good part, Min and Max what it can be.
	Sound, Min, Max float64
}

// Set wears the part; v is brought into its range.
func (p *Part) Set(v float64) { p.become(min(max(v, p.Info.Min), p.Info.Max)) }

// Mend makes the part sound.
func (p *Part) Mend() { p.become(p.Info.Sound) }

func (p *Part) become(v float64) {
	p.value = v
	*p.changes++
}

// Value is the part's state; Sound reports whether it is a good one's.
func (p *Part) Value() float64 { return p.value }

// Sound reports whether the part is as it should be.
func (p *Part) Sound() bool { return p.value == p.Info.Sound }

// Places of the parts in Car.parts.
const (
	partVacuumLeak = iota
	partAirFilter
	partThrottlePlate
	partThrottleDeposit
	partExhaustBlocked
	partExhaustLeak1
	partExhaustLeak2
	partPump
	partFuelFilter
	partFuelRegulator
	partTank
	partEthanol
	partBatteryOhm
	partBatteryCharge
	partStarterOhm
	partStarterDrive
	partGroundOhm
	partDrain
	partAlternator
	partRegulator
	partThermostat
	partWaterPump
	partRadiator
	partFanMotor
	partCatalyst1
	partCatalyst2
	partPurgeValve
	partVentValve
	partTankLeak
	partClutchLining
	partClutchDrag
	partBrakeDrag
	partPedalRest
	partCamTiming
	partCrankWheel
	partStarterContact
	partPumpContact
	partFanContact
	partShiftValveA
	partShiftValveB
	partLinePressure
	partLockupLining
	partCount
)

// Parts of one cylinder.
const (
	partInjectorFlow = iota
	partInjectorLeak
	partPlug
	partCompression
	cylinderParts
)

// free is a part that moves freely, in the parts that can be stuck somewhere.
const free = -1

var partInfos = [partCount]PartInfo{
	partVacuumLeak:      {"vacuum-leak", "mm2", "leak into the intake manifold, effective area", 0, 0, 300},
	partAirFilter:       {"air-filter", "%", "air filter blocked", 0, 0, 97},
	partThrottlePlate:   {"throttle-plate", "%", "throttle plate stuck at; -1 moves freely", free, free, 100},
	partThrottleDeposit: {"throttle-deposit", "mm2", "area of the throttle lost to deposits", 0, 0, 30},
	partExhaustBlocked:  {"exhaust-passage", "%", "exhaust blocked", 0, 0, 98},
	partExhaustLeak1:    {"exhaust-leak-1", "%", "air drawn in before the sensor of bank 1, of the gas at idle", 0, 0, 60},
	partExhaustLeak2:    {"exhaust-leak-2", "%", "air drawn in before the sensor of bank 2, of the gas at idle", 0, 0, 60},
	partPump:            {"fuel-pump", "%", "pressure that the fuel pump can make, of a good one's", 100, 0, 100},
	partFuelFilter:      {"fuel-filter", "%", "fuel filter blocked", 0, 0, 98},
	partFuelRegulator:   {"fuel-regulator", "kPa", "fuel pressure regulator off by", 0, -300, 300},
	partTank:            {"fuel-in-tank", "%", "fuel left in the tank; -1 as it is", free, free, 100},
	partEthanol:         {"ethanol", "%", "ethanol in the fuel beyond what it was made for", 0, 0, 90},
	partBatteryOhm:      {"battery-resistance", "mohm", "resistance of battery and terminals beyond a good one's", 0, 0, 2000},
	partBatteryCharge:   {"battery-charge", "%", "most that the battery still holds; -1 as it is", free, free, 100},
	partStarterOhm:      {"starter-resistance", "mohm", "resistance of worn brushes and contacts in the starter", 0, 0, 2000},
	partStarterDrive:    {"starter-drive", "bool", "starter turns the engine and not just itself", 1, 0, 1},
	partGroundOhm:       {"engine-ground", "mohm", "resistance of the ground strap between engine and body", 0, 0, 2000},
	partDrain:           {"drain", "A", "current that something draws at rest", 0, 0, 60},
	partAlternator:      {"alternator", "%", "current that the alternator can give, of a good one's", 100, 0, 100},
	partRegulator:       {"voltage-regulator", "V", "charging voltage off by", 0, -2, 6},
	partThermostat:      {"thermostat", "%", "thermostat stuck open at; -1 moves freely", free, free, 100},
	partWaterPump:       {"water-pump", "%", "flow of coolant, of a good one's", 100, 0, 100},
	partRadiator:        {"radiator", "%", "radiator blocked", 0, 0, 100},
	partFanMotor:        {"fan-motor", "bool", "fan motor turns", 1, 0, 1},
	partCatalyst1:       {"catalyst-1", "%", "oxygen that the catalyst of bank 1 can store, of a fresh one's", 100, 0, 100},
	partCatalyst2:       {"catalyst-2", "%", "oxygen that the catalyst of bank 2 can store, of a fresh one's", 100, 0, 100},
	partPurgeValve:      {"purge-valve", "%", "purge valve stuck open at; -1 moves freely", free, free, 100},
	partVentValve:       {"vent-valve", "%", "vent valve of the canister stuck open at; -1 moves freely", free, free, 100},
	partTankLeak:        {"tank-leak", "mm", "leak of the tank system, diameter", 0, 0, 40},
	partClutchLining:    {"clutch-lining", "%", "torque that the clutch carries, of a good one's", 100, 0, 100},
	partClutchDrag:      {"clutch-drag", "N m", "torque that the clutch carries with the pedal down", 0, 0, 300},
	partBrakeDrag:       {"brake-drag", "N", "force of brakes that do not let go", 0, 0, 6000},
	partPedalRest:       {"pedal-rest", "%", "where the accelerator pedal comes to rest", 0, 0, 60},
	partCamTiming:       {"cam-timing", "deg", "camshaft against crankshaft, in degrees of the crank", 0, -60, 60},
	partCrankWheel:      {"crank-wheel", "%", "run-out of a damaged crank wheel, beyond the car's own", 0, 0, 20},
	partStarterContact:  {"starter-relay-contact", "bool", "contact of the starter relay: 0 never closes, 1 never opens; -1 follows its coil", free, free, 1},
	partPumpContact:     {"pump-relay-contact", "bool", "contact of the pump relay: 0 never closes, 1 never opens; -1 follows its coil", free, free, 1},
	partFanContact:      {"fan-relay-contact", "bool", "contact of the fan relay: 0 never closes, 1 never opens; -1 follows its coil", free, free, 1},
	partShiftValveA:     {"shift-valve-a", "%", "shift valve a stuck at: 0 rest, 100 moved; -1 follows its solenoid", free, free, 100},
	partShiftValveB:     {"shift-valve-b", "%", "shift valve b stuck at: 0 rest, 100 moved; -1 follows its solenoid", free, free, 100},
	partLinePressure:    {"line-pressure", "%", "line pressure of the automatic gearbox, of a good one's", 100, 0, 100},
	partLockupLining:    {"lockup-lining", "%", "torque that the lock-up clutch carries, of a good one's", 100, 0, 100},
}

var cylinderInfos = [cylinderParts]PartInfo{
	partInjectorFlow: {"injector-flow", "%", "fuel that the injector gives, of a good one's", 100, 0, 100},
	partInjectorLeak: {"injector-leak", "mg", "fuel that the injector drips into each charge", 0, 0, 60},
	partPlug:         {"spark-plug", "%", "firings that light the charge", 100, 0, 100},
	partCompression:  {"compression", "%", "compression of the cylinder, of a good one's", 100, 0, 100},
}

// maxCylinders bounds the engines that the model knows.
const maxCylinders = 16

// wear holds the parts.
type wear struct {
	parts [partCount]Part
	has   [partCount]bool // what this car has of them
	cyl   [maxCylinders][cylinderParts]Part
	// changes counts how often a part has become another.
	changes uint64
}

func (w *wear) init(s *Spec) {
	for i := range w.parts {
		w.parts[i] = Part{Info: partInfos[i], value: partInfos[i].Sound, changes: &w.changes}
		w.has[i] = true
	}
	lacks := []int{partShiftValveA, partShiftValveB, partLinePressure, partLockupLining}
	if s.Automatic() {
		lacks = []int{partClutchLining, partClutchDrag}
	}
	if s.Engine.Banks == 1 {
		lacks = append(lacks, partExhaustLeak2, partCatalyst2)
	}
	if s.Engine.Evap.PurgeMM2 == 0 {
		lacks = append(lacks, partPurgeValve, partVentValve, partTankLeak)
	}
	if s.UnitsOnly() {
		w.has = [partCount]bool{}
	}
	for _, p := range lacks {
		w.has[p] = false
	}
	for k := range w.cyl {
		for i := range w.cyl[k] {
			info := cylinderInfos[i]
			info.Name += "-" + strconv.Itoa(k+1)
			w.cyl[k][i] = Part{Info: info, value: info.Sound, changes: &w.changes}
		}
	}
}

// is is a part's value.
func (w *wear) is(p int) float64 { return w.parts[p].value }

// share100 is a part's value in % as 0..1.
func (w *wear) share100(p int) float64 { return w.parts[p].value / 100 }

// contact is a relay's contact: what its coil wants unless it is burnt or welded.
func (w *wear) contact(p int, coil bool) bool {
	if v := w.parts[p].value; v != free {
		return v > 0.5
	}
	return coil
}

// Part finds a part by name; those of a cylinder end in its number, such as
// injector-flow-3.
func (c *Car) Part(name string) (*Part, bool) {
	for i := range c.parts {
		if c.parts[i].Info.Name == name && c.has[i] {
			return &c.parts[i], true
		}
	}
	if i := strings.LastIndexByte(name, '-'); i > 0 {
		k, err := strconv.Atoi(name[i+1:])
		if err == nil && k >= 1 && k <= c.spec.Engine.Cylinders {
			for j := range c.cyl[k-1] {
				if c.cyl[k-1][j].Info.Name == name {
					return &c.cyl[k-1][j], true
				}
			}
		}
	}
	return nil, false
}

// PartNames lists the parts of this car.
func (c *Car) PartNames() []string {
	var names []string
	for i := range c.parts {
		if c.has[i] {
			names = append(names, c.parts[i].Info.Name)
		}
	}
	for k := range c.cyl[:c.spec.Engine.Cylinders] {
		for i := range c.cyl[k] {
			names = append(names, c.cyl[k][i].Info.Name)
		}
	}
	return names
}
