package app

import (
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// bodyRefs are the readings of the body ECU, one entry each.
type bodyRefs struct {
	Door             signal.Ref `name:"door_open" unit:"bool" text:"driver's door open"`
	ParkingBrake     signal.Ref `name:"parking_brake" unit:"bool" text:"parking brake set"`
	Immobiliser      signal.Ref `name:"immobiliser_ok" unit:"bool" text:"the key in the lock is known"`
	SecurityLamp     signal.Ref `name:"security_lamp" unit:"bool" text:"security lamp commanded"`
	KeyCode          signal.Ref `name:"key_code" text:"transponder number of the key in the lock, 0 for none read"`
	AcceptedCode     signal.Ref `name:"accepted_key_code" text:"transponder number of the key that is known, 0 for none"`
	ImmobiliserState signal.Ref `name:"immobiliser_state" text:"0 asleep, 1 asking, 2 key accepted, 3 key refused, 7 no key learned"`
	Pedal            signal.Ref `name:"pedal_pct" unit:"%" text:"accelerator pedal, from the engine ECU"`
	Clock            signal.Ref `name:"clock_s" unit:"s" text:"seconds of the last ten minutes with supply"`
}

// bodyMonitors are the body ECU's monitors.
type bodyMonitors struct {
	KeyWrong      monitor `code:"P0513"`
	KeyNotLearned monitor `code:"P0633"`
}

// Body is the body ECU's program: immobiliser, key, doors.
type Body struct {
	base
	at  bodyRefs
	mon bodyMonitors

	accessory, start, door, brake *car.Circuit
	locked, pedal                 signal.Ref // the engine ECU's word
	clockS                        float64
}

func init() { register("body", NewBody) }

// NewBody builds the program on a car's wiring; errors as New. Its memory knows the
// car's key as immobiliser_key. It lives without the key: upS counts from key on.
func NewBody(c *car.Car, codes Codes, nv NV) (*Body, error) {
	b := &Body{base: newBase("body", c, codes, nv)}
	b.readings.Declare(&b.at)
	declareMonitors(&b.mon, codes)
	b.memory = []string{"immobiliser_key", "battery_rest_v"} // the last is for tools alone
	b.accessory, b.start = b.need("accessory-feed"), b.need("start-request")
	b.door, b.brake = b.need("door-switch"), b.need("parking-brake-switch")
	b.listensTo(engineLost, brakeLost)
	b.locked = b.hears("engine_locked", "bool", "the engine ECU does not know the key")
	b.pedal = b.hears("pedal_pct", "%", "accelerator pedal")
	return b, b.whole()
}

// Restart is a reset of the ECU.
func (b *Body) Restart() { b.upS, b.clockS = 0, 0 }

// Step runs the program once; call it every car.StepTime.
func (b *Body) Step(now time.Duration) {
	v, alive := b.supplied()
	if !alive {
		b.Restart()
		b.dark()
		b.car.Actuators.SecurityLamp = false
		return
	}
	key := car.KeyOff
	switch {
	case b.keyOn() && closed(b.start):
		key = car.KeyStart
	case b.keyOn():
		key = car.KeyOn
	case closed(b.accessory):
		key = car.KeyAccessory
	}
	b.show(key, v)
	r := b.readings
	if b.clockS += dt; b.clockS >= clockEndS {
		b.clockS = 0
	}
	r.Set(b.at.Clock, b.clockS)
	b.passOn(b.at.Pedal, b.pedal)
	r.SetBool(b.at.Door, closed(b.door))
	r.SetBool(b.at.ParkingBrake, closed(b.brake))
	b.immobilise(now, key >= car.KeyOn)
}

// immobilise reads the transponder at key on and tells the engine ECU which key
// it has accepted. The lamp is lit while either of them does not know it.
func (b *Body) immobilise(now time.Duration, on bool) {
	r := b.readings
	read, accepted, state := 0.0, 0.0, immobiliserAsleep
	if on {
		b.upS += dt
		known, ok := b.nv.Get("immobiliser_key")
		read = float64(b.car.Driver.KeyCode)
		good := ok && read != 0 && read == known
		switch {
		case good:
			accepted, state = read, immobiliserAccepted
		case !ok:
			state = immobiliserFault
		case read == 0:
			state = immobiliserAsking
		default:
			state = immobiliserRefused
		}
		if b.upS > 1 {
			b.mon.KeyWrong.test(now, ok && !good)
			b.mon.KeyNotLearned.test(now, !ok)
		}
		b.listen(now, b.battery.Volts())
	} else {
		b.upS = 0
		b.ears.rest(r)
	}
	locked, _ := b.ears.value(b.locked, 0)
	lamp := on && b.upS > lockedS && (accepted == 0 || locked != 0)
	b.car.Actuators.SecurityLamp = lamp
	r.Set(b.at.KeyCode, read)
	r.Set(b.at.AcceptedCode, accepted)
	r.Set(b.at.ImmobiliserState, state)
	r.SetBool(b.at.Immobiliser, accepted != 0)
	r.SetBool(b.at.SecurityLamp, lamp)
}

// clockEndS is where the clock starts anew.
const clockEndS = 600

// States of the immobiliser, as the network has them.
const (
	immobiliserAsleep   = 0.0
	immobiliserAsking   = 1.0
	immobiliserAccepted = 2.0
	immobiliserRefused  = 3.0
	immobiliserFault    = 7.0
)
