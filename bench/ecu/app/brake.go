package app

import (
	"fmt"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// brakeRefs are the readings of the brake ECU, one entry each.
type brakeRefs struct {
	Powered     signal.Ref `name:"powered" unit:"bool" text:"the ECU has supply and runs"`
	Key         signal.Ref `name:"key" text:"key: 0 off, 2 on"`
	Battery     signal.Ref `name:"battery_v" unit:"V" text:"supply voltage"`
	Vehicle     signal.Ref `name:"vehicle_kmh" unit:"km/h" text:"road speed from the wheels"`
	WheelFL     signal.Ref `name:"wheel_fl_kmh" unit:"km/h" text:"front left wheel"`
	WheelFR     signal.Ref `name:"wheel_fr_kmh" unit:"km/h" text:"front right wheel"`
	WheelRL     signal.Ref `name:"wheel_rl_kmh" unit:"km/h" text:"rear left wheel"`
	WheelRR     signal.Ref `name:"wheel_rr_kmh" unit:"km/h" text:"rear right wheel"`
	BrakePedal  signal.Ref `name:"brake_pedal" unit:"bool" text:"brake pedal pressed"`
	LostEngine  signal.Ref `name:"lost_engine" unit:"bool" text:"no messages of the engine ECU"`
	LostBody    signal.Ref `name:"lost_body" unit:"bool" text:"no messages of the body ECU"`
	Steering    signal.Ref `name:"steering_deg" unit:"deg" text:"steering wheel from straight ahead, left positive"`
	SteeringRaw signal.Ref `name:"steering_raw_deg" unit:"deg" text:"steering angle as the sensor was fitted"`
	EngineRPM   signal.Ref `name:"engine_rpm" unit:"rev/min" text:"engine speed, from the engine ECU"`
	Pedal       signal.Ref `name:"pedal_pct" unit:"%" text:"accelerator pedal, from the engine ECU"`
	BusOff      signal.Ref `name:"bus_off" unit:"bool" text:"the ECU's controller is off the bus"`
	Parking     signal.Ref `name:"parking_brake" unit:"bool" text:"parking brake set"`
}

// brakeMonitors are the brake ECU's monitors; the wheels are front left, front right,
// rear left, rear right.
type brakeMonitors struct {
	Wheel  [4]monitor `code:"C0035 C0040 C0045 C0050"`
	Switch monitor    `code:"P0571"`
}

// Brake is the brake ECU's program.
type Brake struct {
	Readings *signal.Table
	at       brakeRefs

	car                      *car.Car
	mon                      brakeMonitors
	battery, ignition, brake *car.Circuit
	parking                  *car.Circuit
	wheels                   [4]*car.Circuit
	wheelKmh                 [4]signal.Ref
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
	b := &Brake{Readings: &signal.Table{}, car: c, nv: nv, perKmh: cal.Pins.WheelHzPerKm,
		battery: p.supply("brake-supply"), ignition: p.need("ignition-feed"), brake: p.need("brake-switch"), parking: p.need("parking-brake-switch"),
		wheels: [4]*car.Circuit{p.need("wheel-sensor-fl"), p.need("wheel-sensor-fr"), p.need("wheel-sensor-rl"), p.need("wheel-sensor-rr")}}
	b.Readings.Declare(&b.at)
	declareMonitors(&b.mon, codes)
	b.wheelKmh = [4]signal.Ref{b.at.WheelFL, b.at.WheelFR, b.at.WheelRL, b.at.WheelRR}
	if len(p.missing) > 0 {
		return nil, fmt.Errorf("brake ECU: the car %s has no circuit %s", c.Spec().Name, strings.Join(p.missing, ", "))
	}
	b.ears = newEars(codes, b.at.BusOff, []partner{engineLost.as(b.at.LostEngine), bodyLost.as(b.at.LostBody)},
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
		if r.Is(b.at.Powered) {
			b.Restart()
			for i := range signal.Ref(r.Len()) {
				r.Set(i, 0)
			}
		}
		return
	}
	b.upS += dt
	r.SetBool(b.at.Powered, true)
	r.Set(b.at.Key, car.KeyOn)
	r.Set(b.at.Battery, v)
	r.SetBool(b.at.BrakePedal, closed(b.brake))
	r.SetBool(b.at.Parking, closed(b.parking))
	zero, _ := b.nv.Get("steering_zero_deg")
	raw := b.car.SteeringSensor()
	r.Set(b.at.SteeringRaw, raw)
	r.Set(b.at.Steering, raw-zero)
	best := 0.0
	for i, w := range b.wheels {
		kmh := w.Hertz() / b.perKmh
		r.Set(b.wheelKmh[i], kmh)
		best = max(best, kmh)
	}
	// The second fastest wheel: one that spins or has lost its sensor counts not.
	speed := 0.0
	seen := false
	for i := range b.wheels {
		kmh := r.Get(b.wheelKmh[i])
		if kmh == best && !seen {
			seen = true
			continue
		}
		speed = max(speed, kmh)
	}
	r.Set(b.at.Vehicle, speed)
	rpm, heard := b.ears.value(b.hear.rpm, 0)
	r.Set(b.at.EngineRPM, rpm)
	r.Trust(b.at.EngineRPM, heard)
	pedal, heard := b.ears.value(b.hear.pedal, 0)
	r.Set(b.at.Pedal, pedal)
	r.Trust(b.at.Pedal, heard)
	b.ears.judge(now, r, b.upS, v)
	b.watchSwitch(now, speed)
	if b.upS > settleS && v > monitorsFromV && speed > 12 {
		for i := range b.wheels {
			b.mon.Wheel[i].test(now, r.Get(b.wheelKmh[i]) < 2)
		}
	}
}

// watchSwitch compares the switch of the pedal with what the car does: nobody
// slows a car by more than 4 m/s2 without the brake, nor gains 25 km/h on it.
func (b *Brake) watchSwitch(now time.Duration, speed float64) {
	s, on := &b.sw, b.Readings.Is(b.at.BrakePedal)
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
		b.mon.Switch.test(now, true)
	case s.seen:
		b.mon.Switch.test(now, false)
	}
}
