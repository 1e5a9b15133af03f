package app

import (
	"fmt"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// clusterRefs are the readings of the cluster ECU, one entry each.
type clusterRefs struct {
	Powered     signal.Ref `name:"powered" unit:"bool" text:"the ECU has supply and runs"`
	Key         signal.Ref `name:"key" text:"key: 0 off, 2 on"`
	Battery     signal.Ref `name:"battery_v" unit:"V" text:"supply voltage"`
	ShownKmh    signal.Ref `name:"shown_kmh" unit:"km/h" text:"what the speedometer shows"`
	ShownRPM    signal.Ref `name:"shown_rpm" unit:"rev/min" text:"what the rev counter shows"`
	ShownLever  signal.Ref `name:"shown_lever" text:"what the display shows of the lever: 0 P, 1 R, 2 N, 3 D"`
	LostEngine  signal.Ref `name:"lost_engine" unit:"bool" text:"no messages of the engine ECU"`
	LostGearbox signal.Ref `name:"lost_gearbox" unit:"bool" text:"no messages of the gearbox ECU"`
	LostBrake   signal.Ref `name:"lost_brake" unit:"bool" text:"no messages of the brake ECU"`
	LostBody    signal.Ref `name:"lost_body" unit:"bool" text:"no messages of the body ECU"`
	BusOff      signal.Ref `name:"bus_off" unit:"bool" text:"the ECU's controller is off the bus"`
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
	at       clusterRefs

	battery, ignition *car.Circuit
	ears              ears
	hear              struct{ kmh, rpm, lever signal.Ref }
	kmh, rpm          float64
	upS               float64 // since key on
}

// NewCluster builds the program on a car's wiring; errors as NewEngine.
func NewCluster(c *car.Car, codes Codes, _ NV) (*Cluster, error) {
	p := pins{car: c}
	k := &Cluster{Readings: &signal.Table{}, battery: p.supply("cluster-supply"), ignition: p.need("ignition-feed")}
	k.Readings.Declare(&k.at)
	if len(p.missing) > 0 {
		return nil, fmt.Errorf("cluster ECU: the car %s has no circuit %s", c.Spec().Name, strings.Join(p.missing, ", "))
	}
	k.ears = newEars(codes, k.at.BusOff,
		[]partner{engineLost.as(k.at.LostEngine), boxLost.as(k.at.LostGearbox), brakeLost.as(k.at.LostBrake), bodyLost.as(k.at.LostBody)},
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
	r.SetBool(k.at.Powered, true)
	r.Set(k.at.Key, car.KeyOn)
	r.Set(k.at.Battery, v)
	kmh, _ := k.ears.value(k.hear.kmh, 0)
	rpm, _ := k.ears.value(k.hear.rpm, 0)
	lever, heard := k.ears.value(k.hear.lever, 0)
	if kmh > 1 {
		kmh = float64(kmh*speedometerGain) + speedometerShift
	}
	k.kmh += float64((kmh - k.kmh) * (dt / needleS))
	k.rpm += float64((rpm - k.rpm) * (dt / needleS))
	r.Set(k.at.ShownKmh, k.kmh)
	r.Set(k.at.ShownRPM, k.rpm)
	r.Set(k.at.ShownLever, lever)
	r.Trust(k.at.ShownLever, heard)
	k.ears.judge(now, r, k.upS, v)
}
