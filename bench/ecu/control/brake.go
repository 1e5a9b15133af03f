package control

import (
	"fmt"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// Places of the brake ECU's readings, in the order of brakeReadings.
const (
	bPowered signal.Ref = iota
	bKey
	bBattery
	bVehicle
	bWheelFL
	bWheelFR
	bWheelRL
	bWheelRR
	bBrakePedal
)

var brakeReadings = []signal.Info{
	{Name: "powered", Unit: "bool", Text: "the ECU has supply and runs"},
	{Name: "key", Text: "key: 0 off, 2 on"},
	{Name: "battery_v", Unit: "V", Text: "supply voltage"},
	{Name: "vehicle_kmh", Unit: "km/h", Text: "road speed from the wheels"},
	{Name: "wheel_fl_kmh", Unit: "km/h", Text: "front left wheel"},
	{Name: "wheel_fr_kmh", Unit: "km/h", Text: "front right wheel"},
	{Name: "wheel_rl_kmh", Unit: "km/h", Text: "rear left wheel"},
	{Name: "wheel_rr_kmh", Unit: "km/h", Text: "rear right wheel"},
	{Name: "brake_pedal", Unit: "bool", Text: "brake pedal pressed"},
}

// wheelCodes are front left, front right, rear left, rear right.
var wheelCodes = [4]string{"C0035", "C0040", "C0045", "C0050"}

// Brake is the brake ECU's program.
type Brake struct {
	Readings *signal.Table

	car                      *car.Car
	mon                      monitors
	battery, ignition, brake *car.Circuit
	wheels                   [4]*car.Circuit
	perKmh                   float64
	upS                      float64
	lostS                    [4]float64
}

// NewBrake builds the program on a car's wiring; errors as NewEngine.
func NewBrake(c *car.Car, codes Codes, _ NV) (*Brake, error) {
	cal, err := loadCalibration(c.Spec())
	if err != nil {
		return nil, err
	}
	p := pins{car: c}
	b := &Brake{Readings: newReadings(brakeReadings), car: c, mon: newMonitors(codes, wheelCodes[:]), perKmh: cal.Pins.WheelHzPerKm,
		battery: p.need("battery-sense"), ignition: p.need("ignition-feed"), brake: p.need("brake-switch"),
		wheels: [4]*car.Circuit{p.need("wheel-sensor-fl"), p.need("wheel-sensor-fr"), p.need("wheel-sensor-rl"), p.need("wheel-sensor-rr")}}
	if len(p.missing) > 0 {
		return nil, fmt.Errorf("brake ECU: the car %s has no circuit %s", c.Spec().Name, strings.Join(p.missing, ", "))
	}
	return b, nil
}

// Restart is a reset of the ECU.
func (b *Brake) Restart() { b.upS, b.lostS = 0, [4]float64{} }

// Step runs the program once; call it every car.StepTime.
func (b *Brake) Step(now time.Duration) {
	r, x := b.Readings, &b.car.Exchange
	v := b.battery.Volts()
	if v < 5.5 || !closed(b.ignition) {
		if r.Is(bPowered) {
			b.Restart()
			for i := range signal.Ref(r.Len()) {
				r.Set(i, 0)
			}
			x.BrakeECU, x.VehicleKmh = false, 0
		}
		return
	}
	b.upS += dt
	r.SetBool(bPowered, true)
	r.Set(bKey, car.KeyOn)
	r.Set(bBattery, v)
	r.SetBool(bBrakePedal, closed(b.brake))
	best := 0.0
	for i, w := range b.wheels {
		kmh := w.Hertz() / b.perKmh
		r.Set(bWheelFL+signal.Ref(i), kmh)
		best = max(best, kmh)
	}
	// The second fastest wheel: one that spins or has lost its sensor counts not.
	speed := 0.0
	seen := false
	for i := range b.wheels {
		kmh := r.Get(bWheelFL + signal.Ref(i))
		if kmh == best && !seen {
			seen = true
			continue
		}
		speed = max(speed, kmh)
	}
	r.Set(bVehicle, speed)
	x.BrakeECU, x.VehicleKmh = true, speed
	if b.upS > settleS && v > monitorsFromV && speed > 12 {
		for i := range b.wheels {
			b.mon.test(i, now, r.Get(bWheelFL+signal.Ref(i)) < 2)
		}
	}
}
