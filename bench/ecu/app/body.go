package app

import (
	"fmt"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// Places of the body ECU's readings, in the order of bodyReadings.
const (
	yPowered signal.Ref = iota
	yKey
	yBattery
	yDoor
	yParkingBrake
	yImmobiliser
	ySecurityLamp
	yKeyCode
	yLostEngine
	yLostBrake
	yAcceptedCode
	yImmobiliserState
	yBusOff
	yPedal
	yClock
)

var bodyReadings = []signal.Info{
	{Name: "powered", Unit: "bool", Text: "the ECU has supply and runs"},
	{Name: "key", Text: "key: 0 off, 1 accessory, 2 on, 3 start"},
	{Name: "battery_v", Unit: "V", Text: "supply voltage"},
	{Name: "door_open", Unit: "bool", Text: "driver's door open"},
	{Name: "parking_brake", Unit: "bool", Text: "parking brake set"},
	{Name: "immobiliser_ok", Unit: "bool", Text: "the key in the lock is known"},
	{Name: "security_lamp", Unit: "bool", Text: "security lamp commanded"},
	{Name: "key_code", Text: "transponder number of the key in the lock, 0 for none read"},
	{Name: "lost_engine", Unit: "bool", Text: "no messages of the engine ECU"},
	{Name: "lost_brake", Unit: "bool", Text: "no messages of the brake ECU"},
	{Name: "accepted_key_code", Text: "transponder number of the key that is known, 0 for none"},
	{Name: "immobiliser_state", Text: "0 asleep, 1 asking, 2 key accepted, 3 key refused, 7 no key learned"},
	{Name: "bus_off", Unit: "bool", Text: "the ECU's controller is off the bus"},
	{Name: "pedal_pct", Unit: "%", Text: "accelerator pedal, from the engine ECU"},
	{Name: "clock_s", Unit: "s", Text: "seconds of the last ten minutes with supply"},
}

// Body is the body ECU's program: immobiliser, key, doors.
type Body struct {
	Readings *signal.Table

	car                                              *car.Car
	nv                                               NV
	mon                                              monitors
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
	b := &Body{Readings: newReadings(bodyReadings), car: c, nv: nv, mon: newMonitors(codes, []string{"P0513", "P0633"}),
		battery: p.supply("body-supply"), accessory: p.need("accessory-feed"), ignition: p.need("ignition-feed"),
		start: p.need("start-request"), door: p.need("door-switch"), brake: p.need("parking-brake-switch")}
	if len(p.missing) > 0 {
		return nil, fmt.Errorf("body ECU: the car %s has no circuit %s", c.Spec().Name, strings.Join(p.missing, ", "))
	}
	b.ears = newEars(codes, yBusOff, []partner{engineLost.as(yLostEngine), brakeLost.as(yLostBrake)},
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
	r.SetBool(yPowered, true)
	r.Set(yKey, float64(key))
	r.Set(yBattery, v)
	if b.clockS += dt; b.clockS >= clockEndS {
		b.clockS = 0
	}
	r.Set(yClock, b.clockS)
	pedal, heard := b.ears.value(b.pedal, 0)
	r.Set(yPedal, pedal)
	r.Trust(yPedal, heard)
	r.SetBool(yDoor, closed(b.door))
	r.SetBool(yParkingBrake, closed(b.brake))
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
			b.mon.test(0, now, ok && !good)
			b.mon.test(1, now, !ok)
		}
		b.ears.judge(now, r, b.upS, b.battery.Volts())
	} else {
		b.upS = 0
		b.ears.rest(r)
	}
	locked, _ := b.ears.value(b.locked, 0)
	lamp := on && b.upS > lockedS && (accepted == 0 || locked != 0)
	b.car.Actuators.SecurityLamp = lamp
	r.Set(yKeyCode, read)
	r.Set(yAcceptedCode, accepted)
	r.Set(yImmobiliserState, state)
	r.SetBool(yImmobiliser, accepted != 0)
	r.SetBool(ySecurityLamp, lamp)
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
