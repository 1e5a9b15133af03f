package app

import (
	"fmt"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// Places of the cluster ECU's readings, in the order of clusterReadings.
const (
	kPowered signal.Ref = iota
	kKey
	kBattery
	kShownKmh
	kShownRPM
	kShownLever
	kLostEngine
	kLostGearbox
	kLostBrake
	kLostBody
	kBusOff
)

var clusterReadings = []signal.Info{
	{Name: "powered", Unit: "bool", Text: "the ECU has supply and runs"},
	{Name: "key", Text: "key: 0 off, 2 on"},
	{Name: "battery_v", Unit: "V", Text: "supply voltage"},
	{Name: "shown_kmh", Unit: "km/h", Text: "what the speedometer shows"},
	{Name: "shown_rpm", Unit: "rev/min", Text: "what the rev counter shows"},
	{Name: "shown_lever", Text: "what the display shows of the lever: 0 P, 1 R, 2 N, 3 D"},
	{Name: "lost_engine", Unit: "bool", Text: "no messages of the engine ECU"},
	{Name: "lost_gearbox", Unit: "bool", Text: "no messages of the gearbox ECU"},
	{Name: "lost_brake", Unit: "bool", Text: "no messages of the brake ECU"},
	{Name: "lost_body", Unit: "bool", Text: "no messages of the body ECU"},
	{Name: "bus_off", Unit: "bool", Text: "the ECU's controller is off the bus"},
}

// A speedometer must never show less than the speed, and at most a tenth and 4 km/h
// more (UN Regulation 39, 5.4); the needles follow slowly.
const (
	speedometerGain  = 1.03
	speedometerShift = 1
	needleS          = 0.3
)

// Cluster is the program of the instruments.
type Cluster struct {
	Readings *signal.Table

	battery, ignition *car.Circuit
	ears              ears
	hear              struct{ kmh, rpm, lever signal.Ref }
	kmh, rpm          float64
	upS               float64 // since key on
}

// NewCluster builds the program on a car's wiring; errors as NewEngine.
func NewCluster(c *car.Car, codes Codes, _ NV) (*Cluster, error) {
	p := pins{car: c}
	k := &Cluster{Readings: newReadings(clusterReadings), battery: p.supply("cluster-supply"), ignition: p.need("ignition-feed")}
	if len(p.missing) > 0 {
		return nil, fmt.Errorf("cluster ECU: the car %s has no circuit %s", c.Spec().Name, strings.Join(p.missing, ", "))
	}
	k.ears = newEars(codes, kBusOff,
		[]partner{engineLost.as(kLostEngine), boxLost.as(kLostGearbox), brakeLost.as(kLostBrake), bodyLost.as(kLostBody)},
		signal.Info{Name: "vehicle_kmh", Unit: "km/h", Text: "road speed"},
		signal.Info{Name: "engine_rpm", Unit: "rev/min", Text: "engine speed"},
		signal.Info{Name: "selector", Text: "lever: 0 P, 1 R, 2 N, 3 D"})
	k.hear.kmh, k.hear.rpm, k.hear.lever = k.ears.ref("vehicle_kmh"), k.ears.ref("engine_rpm"), k.ears.ref("selector")
	return k, nil
}

// Heard is described at the engine ECU's program.
func (k *Cluster) Heard() *signal.Table { return k.ears.table }

// Restart is a reset of the ECU.
func (k *Cluster) Restart() { k.upS, k.kmh, k.rpm = 0, 0, 0 }

// Step runs the program once; call it every car.StepTime.
func (k *Cluster) Step(now time.Duration) {
	r, v := k.Readings, k.battery.Volts()
	if v < 5.5 || !closed(k.ignition) {
		k.Restart()
		for i := range signal.Ref(r.Len()) {
			r.Set(i, 0)
		}
		return
	}
	k.upS += dt
	r.SetBool(kPowered, true)
	r.Set(kKey, car.KeyOn)
	r.Set(kBattery, v)
	kmh, _ := k.ears.value(k.hear.kmh, 0)
	rpm, _ := k.ears.value(k.hear.rpm, 0)
	lever, heard := k.ears.value(k.hear.lever, 0)
	if kmh > 1 {
		kmh = float64(kmh*speedometerGain) + speedometerShift
	}
	k.kmh += float64((kmh - k.kmh) * (dt / needleS))
	k.rpm += float64((rpm - k.rpm) * (dt / needleS))
	r.Set(kShownKmh, k.kmh)
	r.Set(kShownRPM, k.rpm)
	r.Set(kShownLever, lever)
	r.Trust(kShownLever, heard)
	k.ears.judge(now, r, k.upS, v)
}
