package app

import (
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// brakeRefs are the readings of the brake ECU, one entry each.
type brakeRefs struct {
	Vehicle     signal.Ref `name:"vehicle_kmh" unit:"km/h" text:"road speed from the wheels"`
	WheelFL     signal.Ref `name:"wheel_fl_kmh" unit:"km/h" text:"front left wheel"`
	WheelFR     signal.Ref `name:"wheel_fr_kmh" unit:"km/h" text:"front right wheel"`
	WheelRL     signal.Ref `name:"wheel_rl_kmh" unit:"km/h" text:"rear left wheel"`
	WheelRR     signal.Ref `name:"wheel_rr_kmh" unit:"km/h" text:"rear right wheel"`
	BrakePedal  signal.Ref `name:"brake_pedal" unit:"bool" text:"brake pedal pressed"`
	Steering    signal.Ref `name:"steering_deg" unit:"deg" text:"steering wheel from straight ahead, left positive"`
	SteeringRaw signal.Ref `name:"steering_raw_deg" unit:"deg" text:"steering angle as the sensor was fitted"`
	EngineRPM   signal.Ref `name:"engine_rpm" unit:"rev/min" text:"engine speed, from the engine ECU"`
	Pedal       signal.Ref `name:"pedal_pct" unit:"%" text:"accelerator pedal, from the engine ECU"`
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
	base
	at  brakeRefs
	mon brakeMonitors

	brake, parking *car.Circuit
	wheels         [4]*car.Circuit
	wheelKmh       [4]signal.Ref
	perKmh         float64
	hear           struct{ rpm, pedal signal.Ref }
	sw             brakeSwitch
}

func init() { register("brake", NewBrake) }

// brakeSwitch is what speaks against the switch of the pedal.
type brakeSwitch struct {
	speed  float64 // smoothed, km/h
	slowed float64 // seconds of hard braking without the switch
	held   float64 // km/h gained with the switch closed
	seen   bool    // it has been both
	was    bool
}

// NewBrake builds the program on a car's wiring; errors as New.
func NewBrake(c *car.Car, codes Codes, nv NV) (*Brake, error) {
	cal, err := loadCalibration(c.Spec())
	if err != nil {
		return nil, err
	}
	b := &Brake{base: newBase("brake", c, codes, nv), perKmh: cal.Pins.WheelHzPerKm}
	b.readings.Declare(&b.at)
	declareMonitors(&b.mon, codes)
	b.memory = []string{"steering_zero_deg"}
	b.brake, b.parking = b.need("brake-switch"), b.need("parking-brake-switch")
	b.wheels = [4]*car.Circuit{b.need("wheel-sensor-fl"), b.need("wheel-sensor-fr"), b.need("wheel-sensor-rl"), b.need("wheel-sensor-rr")}
	b.wheelKmh = [4]signal.Ref{b.at.WheelFL, b.at.WheelFR, b.at.WheelRL, b.at.WheelRR}
	b.listensTo(engineLost, bodyLost)
	b.hear.rpm = b.hears("engine_rpm", "rev/min", "engine speed")
	b.hear.pedal = b.hears("pedal_pct", "%", "accelerator pedal")
	return b, b.whole()
}

// Restart is a reset of the ECU.
func (b *Brake) Restart() { b.upS, b.sw = 0, brakeSwitch{} }

// Step runs the program once; call it every car.StepTime.
func (b *Brake) Step(now time.Duration) {
	v, alive := b.supplied()
	if !alive || !b.keyOn() {
		if b.on() {
			b.Restart()
			b.dark()
		}
		return
	}
	b.upS += dt
	b.show(car.KeyOn, v)
	r := b.readings
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
	b.passOn(b.at.EngineRPM, b.hear.rpm)
	b.passOn(b.at.Pedal, b.hear.pedal)
	b.listen(now, v)
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
	s, on := &b.sw, b.readings.Is(b.at.BrakePedal)
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
