package app

import (
	"fmt"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// bodyRefs are the readings of the body ECU, one entry each.
type bodyRefs struct {
	Powered          signal.Ref `name:"powered" unit:"bool" text:"the ECU has supply and runs"`
	Key              signal.Ref `name:"key" text:"key: 0 off, 1 accessory, 2 on, 3 start"`
	Battery          signal.Ref `name:"battery_v" unit:"V" text:"supply voltage"`
	Door             signal.Ref `name:"door_open" unit:"bool" text:"driver's door open"`
	ParkingBrake     signal.Ref `name:"parking_brake" unit:"bool" text:"parking brake set"`
	Immobiliser      signal.Ref `name:"immobiliser_ok" unit:"bool" text:"the key in the lock is known"`
	SecurityLamp     signal.Ref `name:"security_lamp" unit:"bool" text:"security lamp commanded"`
	KeyCode          signal.Ref `name:"key_code" text:"transponder number of the key in the lock, 0 for none read"`
	LostEngine       signal.Ref `name:"lost_engine" unit:"bool" text:"no messages of the engine ECU"`
	LostBrake        signal.Ref `name:"lost_brake" unit:"bool" text:"no messages of the brake ECU"`
	AcceptedCode     signal.Ref `name:"accepted_key_code" text:"transponder number of the key that is known, 0 for none"`
	ImmobiliserState signal.Ref `name:"immobiliser_state" text:"0 asleep, 1 asking, 2 key accepted, 3 key refused, 7 no key learned"`
	BusOff           signal.Ref `name:"bus_off" unit:"bool" text:"the ECU's controller is off the bus"`
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
	Readings *signal.Table
	at       bodyRefs

	car                                              *car.Car
	nv                                               NV
	mon                                              bodyMonitors
	battery, accessory, ignition, start, door, brake *car.Circuit
	upS                                              float64 // since key on
	ears                                             ears
	locked, pedal                                    signal.Ref // the engine ECU's word
	clockS                                           float64
}

// NewBody builds the program on a car's wiring; errors as NewEngine. Its memory
// knows the car's key as immobiliser_key.
func NewBody(c *car.Car, codes Codes, nv NV) (*Body, error) {
	p := pins{car: c}
	b := &Body{Readings: &signal.Table{}, car: c, nv: nv,
		battery: p.supply("body-supply"), accessory: p.need("accessory-feed"), ignition: p.need("ignition-feed"),
		start: p.need("start-request"), door: p.need("door-switch"), brake: p.need("parking-brake-switch")}
	b.Readings.Declare(&b.at)
	declareMonitors(&b.mon, codes)
	if len(p.missing) > 0 {
		return nil, fmt.Errorf("body ECU: the car %s has no circuit %s", c.Spec().Name, strings.Join(p.missing, ", "))
	}
	b.ears = newEars(codes, b.at.BusOff, []partner{engineLost.as(b.at.LostEngine), brakeLost.as(b.at.LostBrake)},
		signal.Info{Name: "engine_locked", Unit: "bool", Text: "the engine ECU does not know the key"},
		signal.Info{Name: "pedal_pct", Unit: "%", Text: "accelerator pedal"})
	b.locked, b.pedal = b.ears.ref("engine_locked"), b.ears.ref("pedal_pct")
	return b, nil
}

// Restart is a reset of the ECU.
func (b *Body) Restart() { b.upS, b.clockS = 0, 0 }

// Step runs the program once; call it every car.StepTime.
func (b *Body) Step(now time.Duration) {
	r := b.Readings
	v := b.battery.Volts()
	if v < 5.5 {
		b.Restart()
		for i := range signal.Ref(r.Len()) {
			r.Set(i, 0)
		}
		b.car.Actuators.SecurityLamp = false
		return
	}
	key := car.KeyOff
	switch {
	case closed(b.ignition) && closed(b.start):
		key = car.KeyStart
	case closed(b.ignition):
		key = car.KeyOn
	case closed(b.accessory):
		key = car.KeyAccessory
	}
	r.SetBool(b.at.Powered, true)
	r.Set(b.at.Key, float64(key))
	r.Set(b.at.Battery, v)
	if b.clockS += dt; b.clockS >= clockEndS {
		b.clockS = 0
	}
	r.Set(b.at.Clock, b.clockS)
	pedal, heard := b.ears.value(b.pedal, 0)
	r.Set(b.at.Pedal, pedal)
	r.Trust(b.at.Pedal, heard)
	r.SetBool(b.at.Door, closed(b.door))
	r.SetBool(b.at.ParkingBrake, closed(b.brake))
	b.immobilise(now, key >= car.KeyOn)
}

// immobilise reads the transponder at key on and tells the engine ECU which key
// it has accepted. The lamp is lit while either of them does not know it.
func (b *Body) immobilise(now time.Duration, on bool) {
	r := b.Readings
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
		b.ears.judge(now, r, b.upS, b.battery.Volts())
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
