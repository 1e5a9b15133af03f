package app

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
	bLostEngine
	bLostBody
	bSteering
	bSteeringRaw
	bEngineRPM
	bPedal
	bBusOff
	bParking
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
	{Name: "lost_engine", Unit: "bool", Text: "no messages of the engine ECU"},
	{Name: "lost_body", Unit: "bool", Text: "no messages of the body ECU"},
	{Name: "steering_deg", Unit: "deg", Text: "steering wheel from straight ahead, left positive"},
	{Name: "steering_raw_deg", Unit: "deg", Text: "steering angle as the sensor was fitted"},
	{Name: "engine_rpm", Unit: "rev/min", Text: "engine speed, from the engine ECU"},
	{Name: "pedal_pct", Unit: "%", Text: "accelerator pedal, from the engine ECU"},
	{Name: "bus_off", Unit: "bool", Text: "the ECU's controller is off the bus"},
	{Name: "parking_brake", Unit: "bool", Text: "parking brake set"},
}

// wheelCodes are front left, front right, rear left, rear right.
var wheelCodes = [4]string{"C0035", "C0040", "C0045", "C0050"}

// mBrakeSwitch is the monitor behind those of the wheels.
const mBrakeSwitch = 4

// Brake is the brake ECU's program.
type Brake struct {
	Readings *signal.Table

	car                      *car.Car
	mon                      monitors
	battery, ignition, brake *car.Circuit
	parking                  *car.Circuit
	wheels                   [4]*car.Circuit
	perKmh                   float64
	upS                      float64
	nv                       NV
	ears                     ears
	hear                     struct{ rpm, pedal signal.Ref }
	sw                       brakeSwitch
}

// brakeSwitch is what speaks against the switch of the pedal.
type brakeSwitch struct {
	speed  float64 // smoothed, km/h
	slowed float64 // seconds of hard braking without the switch
	held   float64 // km/h gained with the switch closed
	seen   bool    // it has been both
	was    bool
}

// NewBrake builds the program on a car's wiring; errors as NewEngine.
func NewBrake(c *car.Car, codes Codes, nv NV) (*Brake, error) {
	cal, err := loadCalibration(c.Spec())
	if err != nil {
		return nil, err
	}
	p := pins{car: c}
	b := &Brake{Readings: newReadings(brakeReadings), car: c, nv: nv, mon: newMonitors(codes, append(wheelCodes[:], "P0571")), perKmh: cal.Pins.WheelHzPerKm,
		battery: p.supply("brake-supply"), ignition: p.need("ignition-feed"), brake: p.need("brake-switch"), parking: p.need("parking-brake-switch"),
		wheels: [4]*car.Circuit{p.need("wheel-sensor-fl"), p.need("wheel-sensor-fr"), p.need("wheel-sensor-rl"), p.need("wheel-sensor-rr")}}
	if len(p.missing) > 0 {
		return nil, fmt.Errorf("brake ECU: the car %s has no circuit %s", c.Spec().Name, strings.Join(p.missing, ", "))
	}
	b.ears = newEars(codes, bBusOff, []partner{engineLost.as(bLostEngine), bodyLost.as(bLostBody)},
		signal.Info{Name: "engine_rpm", Unit: "rev/min", Text: "engine speed"},
		signal.Info{Name: "pedal_pct", Unit: "%", Text: "accelerator pedal"})
	b.hear.rpm, b.hear.pedal = b.ears.ref("engine_rpm"), b.ears.ref("pedal_pct")
	return b, nil
}

// Restart is a reset of the ECU.
func (b *Brake) Restart() { b.upS, b.sw = 0, brakeSwitch{} }

// Step runs the program once; call it every car.StepTime.
func (b *Brake) Step(now time.Duration) {
	r := b.Readings
	v := b.battery.Volts()
	if v < 5.5 || !closed(b.ignition) {
		if r.Is(bPowered) {
			b.Restart()
			for i := range signal.Ref(r.Len()) {
				r.Set(i, 0)
			}
		}
		return
	}
	b.upS += dt
	r.SetBool(bPowered, true)
	r.Set(bKey, car.KeyOn)
	r.Set(bBattery, v)
	r.SetBool(bBrakePedal, closed(b.brake))
	r.SetBool(bParking, closed(b.parking))
	zero, _ := b.nv.Get("steering_zero_deg")
	raw := b.car.SteeringSensor()
	r.Set(bSteeringRaw, raw)
	r.Set(bSteering, raw-zero)
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
	rpm, heard := b.ears.value(b.hear.rpm, 0)
	r.Set(bEngineRPM, rpm)
	r.Trust(bEngineRPM, heard)
	pedal, heard := b.ears.value(b.hear.pedal, 0)
	r.Set(bPedal, pedal)
	r.Trust(bPedal, heard)
	b.ears.judge(now, r, b.upS, v)
	b.watchSwitch(now, speed)
	if b.upS > settleS && v > monitorsFromV && speed > 12 {
		for i := range b.wheels {
			b.mon.test(i, now, r.Get(bWheelFL+signal.Ref(i)) < 2)
		}
	}
}

// watchSwitch compares the switch of the pedal with what the car does: nobody
// slows a car by more than 4 m/s2 without the brake, nor gains 25 km/h on it.
func (b *Brake) watchSwitch(now time.Duration, speed float64) {
	s, on := &b.sw, b.Readings.Is(bBrakePedal)
	was := s.speed
	s.speed += float64((speed - s.speed) * 0.05)
	gain := s.speed - was
	if on != s.was {
		s.seen, s.was, s.held, s.slowed = true, on, 0, 0
	}
	switch {
	case on:
		s.held = max(s.held+gain, 0)
	case gain/3.6 < -4*dt && speed > 5:
		s.slowed += dt
	}
	switch {
	case s.held > 25 || s.slowed > 0.5:
		b.mon.test(mBrakeSwitch, now, true)
	case s.seen:
		b.mon.test(mBrakeSwitch, now, false)
	}
}
