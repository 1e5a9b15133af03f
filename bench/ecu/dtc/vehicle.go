package dtc

import (
	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
)

// Vehicle is what the memory must know of the car to count cycles.
type Vehicle struct {
	// Running is true while the engine runs.
	Running bool
	// Idle is true while the engine idles and the car stands.
	Idle     bool
	CoolantC float64
	Kmh      float64
	// RPM and LoadPct tell similar conditions.
	RPM, LoadPct float64
	// AmbientC and BaroKPa say whether the drive counts for the in-use counters.
	AmbientC, BaroKPa float64
}

// The weather of a unit that has no reading of it (ISO 2533, sea level).
const (
	mildC  = 15
	seaKPa = 101.325
)

// Observer takes the state of the car from a unit's readings.
type Observer struct {
	readings *signal.Table
	running  *spec.Bound
	idle     []spec.Bound
	// Readings that the unit may lack.
	coolant, kmh, ambient, baro, rpm, load *signal.Ref
}

// NewObserver binds what the memory of a unit must know of the car.
func NewObserver(b *spec.Binder, u *spec.Unit) *Observer {
	s := &u.Memory
	o := &Observer{readings: b.Readings(), idle: b.Conditions("$.memory.idle", s.Idle)}
	if s.Running != nil {
		r := b.Condition("$.memory.running", s.Running)
		o.running = &r
	}
	reading := func(key, name string) *signal.Ref {
		if name == "" {
			return nil
		}
		r := b.Ref("$.memory."+key, name)
		return &r
	}
	o.coolant, o.kmh = reading("coolant", s.CoolantC), reading("speed", s.Kmh)
	o.ambient, o.baro = reading("ambient", s.AmbientC), reading("baro", s.BaroKPa)
	if s.Similar != nil {
		o.rpm, o.load = reading("similar.rpm", s.Similar.RPM), reading("similar.load", s.Similar.Load)
	}
	return o
}

// Vehicle is the state of the car by the readings of this moment.
func (o *Observer) Vehicle() Vehicle {
	v := Vehicle{Running: o.running == nil || o.running.Holds(o.readings)}
	v.Idle = v.Running && len(o.idle) > 0 && spec.Unmet(o.idle, o.readings) == nil
	v.CoolantC, v.Kmh = o.get(o.coolant, 0), o.get(o.kmh, 0)
	v.AmbientC, v.BaroKPa = o.get(o.ambient, mildC), o.get(o.baro, seaKPa)
	v.RPM, v.LoadPct = o.get(o.rpm, 0), o.get(o.load, 0)
	return v
}

// get is a reading, or what stands for one that the unit lacks.
func (o *Observer) get(r *signal.Ref, otherwise float64) float64 {
	if r == nil {
		return otherwise
	}
	return o.readings.Get(*r)
}
