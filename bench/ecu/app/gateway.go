package app

import (
	"fmt"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// gatewayRefs are the readings of the gateway ECU, one entry each.
type gatewayRefs struct {
	Powered     signal.Ref `name:"powered" unit:"bool" text:"the ECU has supply and runs"`
	Key         signal.Ref `name:"key" text:"key: 0 off, 2 on"`
	Battery     signal.Ref `name:"battery_v" unit:"V" text:"supply voltage"`
	LostEngine  signal.Ref `name:"lost_engine" unit:"bool" text:"no messages of the engine ECU"`
	LostGearbox signal.Ref `name:"lost_gearbox" unit:"bool" text:"no messages of the gearbox ECU"`
	LostBrake   signal.Ref `name:"lost_brake" unit:"bool" text:"no messages of the brake ECU"`
	LostBody    signal.Ref `name:"lost_body" unit:"bool" text:"the bus of the body ECU is silent"`
	BusOff      signal.Ref `name:"bus_off" unit:"bool" text:"the ECU's controller is off the bus"`
}

// Gateway is the program of the ECU between two buses. What it passes on is not the
// program's: it watches who is there.
type Gateway struct {
	Readings *signal.Table
	at       gatewayRefs

	car               *car.Car
	battery, ignition *car.Circuit
	ears              ears
	upS               float64 // since key on
}

// NewGateway builds the program on a car's wiring; errors as NewEngine.
func NewGateway(c *car.Car, codes Codes, _ NV) (*Gateway, error) {
	p := pins{car: c}
	g := &Gateway{Readings: &signal.Table{}, car: c, battery: p.supply("gateway-supply"), ignition: p.need("ignition-feed")}
	g.Readings.Declare(&g.at)
	if len(p.missing) > 0 {
		return nil, fmt.Errorf("gateway ECU: the car %s has no circuit %s", c.Spec().Name, strings.Join(p.missing, ", "))
	}
	g.ears = newEars(codes, g.at.BusOff, []partner{engineLost.as(g.at.LostEngine), boxLost.as(g.at.LostGearbox), brakeLost.as(g.at.LostBrake), bodyLost.as(g.at.LostBody)})
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
	r.SetBool(g.at.Powered, true)
	r.Set(g.at.Battery, v)
	if !closed(g.ignition) {
		g.upS = 0
		r.Set(g.at.Key, car.KeyOff)
		g.ears.rest(r)
		return
	}
	g.upS += dt
	r.Set(g.at.Key, car.KeyOn)
	g.ears.judge(now, r, g.upS, v)
}
