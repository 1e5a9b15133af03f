package app

import (
	"fmt"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// Places of the gateway ECU's readings, in the order of gatewayReadings.
const (
	wPowered signal.Ref = iota
	wKey
	wBattery
	wLostEngine
	wLostGearbox
	wLostBrake
	wLostBody
	wBusOff
)

var gatewayReadings = []signal.Info{
	{Name: "powered", Unit: "bool", Text: "the ECU has supply and runs"},
	{Name: "key", Text: "key: 0 off, 2 on"},
	{Name: "battery_v", Unit: "V", Text: "supply voltage"},
	{Name: "lost_engine", Unit: "bool", Text: "no messages of the engine ECU"},
	{Name: "lost_gearbox", Unit: "bool", Text: "no messages of the gearbox ECU"},
	{Name: "lost_brake", Unit: "bool", Text: "no messages of the brake ECU"},
	{Name: "lost_body", Unit: "bool", Text: "the bus of the body ECU is silent"},
	{Name: "bus_off", Unit: "bool", Text: "the ECU's controller is off the bus"},
}

// Gateway is the program of the ECU between two buses. What it passes on is not the
// program's: it watches who is there.
type Gateway struct {
	Readings *signal.Table

	car               *car.Car
	battery, ignition *car.Circuit
	ears              ears
	upS               float64 // since key on
}

// NewGateway builds the program on a car's wiring; errors as NewEngine.
func NewGateway(c *car.Car, codes Codes, _ NV) (*Gateway, error) {
	p := pins{car: c}
	g := &Gateway{Readings: newReadings(gatewayReadings), car: c, battery: p.supply("gateway-supply"), ignition: p.need("ignition-feed")}
	if len(p.missing) > 0 {
		return nil, fmt.Errorf("gateway ECU: the car %s has no circuit %s", c.Spec().Name, strings.Join(p.missing, ", "))
	}
	g.ears = newEars(codes, wBusOff, []partner{engineLost.as(wLostEngine), boxLost.as(wLostGearbox), brakeLost.as(wLostBrake), bodyLost.as(wLostBody)})
	return g, nil
}

// Heard is described at the engine ECU's program.
func (g *Gateway) Heard() *signal.Table { return g.ears.table }

// Restart is a reset of the ECU.
func (g *Gateway) Restart() { g.upS = 0 }

// Step runs the program once; call it every car.StepTime.
func (g *Gateway) Step(now time.Duration) {
	r, v := g.Readings, g.battery.Volts()
	if v < 5.5 {
		g.Restart()
		for i := range signal.Ref(r.Len()) {
			r.Set(i, 0)
		}
		return
	}
	r.SetBool(wPowered, true)
	r.Set(wBattery, v)
	if !closed(g.ignition) {
		g.upS = 0
		r.Set(wKey, car.KeyOff)
		g.ears.rest(r)
		return
	}
	g.upS += dt
	r.Set(wKey, car.KeyOn)
	g.ears.judge(now, r, g.upS, v)
}
