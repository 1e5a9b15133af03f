package app

import (
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// clusterRefs are the readings of the cluster ECU, one entry each.
type clusterRefs struct {
	ShownKmh   signal.Ref `name:"shown_kmh" unit:"km/h" text:"what the speedometer shows"`
	ShownRPM   signal.Ref `name:"shown_rpm" unit:"rev/min" text:"what the rev counter shows"`
	ShownLever signal.Ref `name:"shown_lever" text:"what the display shows of the lever: 0 P, 1 R, 2 N, 3 D"`
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
	base
	at clusterRefs

	hear     struct{ kmh, rpm, lever signal.Ref }
	kmh, rpm float64
}

func init() { register("cluster", NewCluster) }

// NewCluster builds the program on a car's wiring; errors as New.
func NewCluster(c *car.Car, codes Codes, nv NV) (*Cluster, error) {
	k := &Cluster{base: newBase("cluster", c, codes, nv)}
	k.readings.Declare(&k.at)
	k.listensTo(engineLost, boxLost, brakeLost, bodyLost)
	k.hear.kmh = k.hears("vehicle_kmh", "km/h", "road speed")
	k.hear.rpm = k.hears("engine_rpm", "rev/min", "engine speed")
	k.hear.lever = k.hears("selector", "", "lever: 0 P, 1 R, 2 N, 3 D")
	return k, k.whole()
}

// Restart is a reset of the ECU.
func (k *Cluster) Restart() { k.upS, k.kmh, k.rpm = 0, 0, 0 }

// Step runs the program once; call it every car.StepTime.
func (k *Cluster) Step(now time.Duration) {
	v, alive := k.supplied()
	if !alive || !k.keyOn() {
		k.Restart()
		k.dark()
		return
	}
	k.upS += dt
	k.show(car.KeyOn, v)
	r := k.readings
	kmh, _ := k.ears.value(k.hear.kmh, 0)
	rpm, _ := k.ears.value(k.hear.rpm, 0)
	if kmh > 1 {
		kmh = float64(kmh*speedometerGain) + speedometerShift
	}
	k.kmh += float64((kmh - k.kmh) * (dt / needleS))
	k.rpm += float64((rpm - k.rpm) * (dt / needleS))
	r.Set(k.at.ShownKmh, k.kmh)
	r.Set(k.at.ShownRPM, k.rpm)
	k.passOn(k.at.ShownLever, k.hear.lever)
	k.listen(now, v)
}
