package control

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
}

// Body is the body ECU's program: immobiliser, key, doors.
type Body struct {
	Readings *signal.Table

	car                                              *car.Car
	nv                                               NV
	mon                                              monitors
	battery, accessory, ignition, start, door, brake *car.Circuit
	upS                                              float64 // since key on
	lost                                             lostECUs
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
	b.lost.init(codes, yLostEngine, "engine", "U0100", "brake", "U0121")
	return b, nil
}

// Restart is a reset of the ECU.
func (b *Body) Restart() { b.upS = 0 }

// Step runs the program once; call it every car.StepTime.
func (b *Body) Step(now time.Duration) {
	r, x := b.Readings, &b.car.Exchange
	v := b.battery.Volts()
	if v < 5.5 {
		b.Restart()
		for i := range signal.Ref(r.Len()) {
			r.Set(i, 0)
		}
		x.BodyECU, x.KeyCode = false, 0
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
	r.SetBool(yDoor, closed(b.door))
	r.SetBool(yParkingBrake, closed(b.brake))
	b.immobilise(now, key >= car.KeyOn)
}

// immobilise reads the transponder at key on and tells the engine ECU which key
// it has accepted. The lamp is lit while either of them does not know it.
func (b *Body) immobilise(now time.Duration, on bool) {
	r, x := b.Readings, &b.car.Exchange
	muted := b.car.Muted("body")
	x.BodyECU, x.KeyCode = !muted, 0
	known, read, ok := 0.0, 0.0, false
	if on {
		b.upS += dt
		known, ok = b.nv.Get("immobiliser_key")
		read = float64(b.car.Driver.KeyCode)
		good := ok && read != 0 && read == known
		if good && !muted {
			x.KeyCode = read
		}
		if b.upS > 1 {
			b.mon.test(0, now, ok && !good)
			b.mon.test(1, now, !ok)
		}
		b.lost.listen(b.Readings, "body", b.car, b.upS)
		b.lost.report(now, b.Readings, b.upS, b.battery.Volts())
	} else {
		b.upS = 0
	}
	lamp := on && b.upS > 0.5 && (x.KeyCode == 0 || x.EngineLocked)
	b.car.Actuators.SecurityLamp = lamp
	r.Set(yKeyCode, read)
	r.SetBool(yImmobiliser, x.KeyCode != 0)
	r.SetBool(ySecurityLamp, lamp)
}
