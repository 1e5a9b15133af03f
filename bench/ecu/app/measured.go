package app

import (
	"fmt"

	"sawhorse/bench/signal"
)

// measured are the places of what the monitors measure, for service 06, and of other
// readings that only tools want.
type measured struct {
	misfires                   [16]signal.Ref
	misfireShare               signal.Ref
	heaters                    [4]signal.Ref // b1s1 b1s2 b2s1 b2s2
	period, richLean, leanRich [2]signal.Ref
	tankPull, purgeFlow        signal.Ref
	demand                     signal.Ref
	pedal, pedal2              signal.Ref
}

var heaterCircuits = [4]string{"lambda-heater-b1s1", "lambda-heater-b1s2", "lambda-heater-b2s1", "lambda-heater-b2s2"}

// defineMeasured adds these readings to the program's own.
func defineMeasured(t *signal.Table, cylinders int) measured {
	var m measured
	for k := range min(cylinders, len(m.misfires)) {
		m.misfires[k] = t.Define(fmt.Sprintf("misfires_%d", k+1), "", fmt.Sprintf("firings of cylinder %d that failed in this drive", k+1))
	}
	m.misfireShare = t.Define("misfire_share_pct", "%", "firings that failed, of the last window")
	for k, name := range []string{"b1s1", "b1s2", "b2s1", "b2s2"} {
		m.heaters[k] = t.Define("heater_"+name+"_a", "A", "current of the lambda sensor's heater when it was last on, "+name)
	}
	for b := range 2 {
		bank := fmt.Sprint(b + 1)
		m.period[b] = t.Define("o2_period_"+bank+"_s", "s", "period of the lambda sensor before the catalyst, bank "+bank)
		m.richLean[b] = t.Define("o2_rich_lean_"+bank+"_s", "s", "its last way from 0.6 to 0.3 V, bank "+bank)
		m.leanRich[b] = t.Define("o2_lean_rich_"+bank+"_s", "s", "its last way from 0.3 to 0.6 V, bank "+bank)
	}
	m.tankPull = t.Define("tank_pull_kpa", "kPa", "how far the tank was pulled under the outside in the last leak test")
	m.purgeFlow = t.Define("purge_flow_gps", "g/s", "what the open purge valve took out of the tank in the last leak test")
	m.demand = t.Define("torque_demand_pct", "%", "engine torque wanted, of the most there is")
	m.pedal = t.Define("pedal_v", "V", "accelerator pedal sensor, first track")
	m.pedal2 = t.Define("pedal_2_v", "V", "accelerator pedal sensor, second track")
	return m
}

// publishMeasured writes those that are not set where they are measured.
func (e *Engine) publishMeasured() {
	r, m := e.readings, &e.measured
	r.Set(m.pedal, e.in.pedal1V)
	r.Set(m.pedal2, e.in.pedal2V)
	for k := range min(e.cal.Cylinders, len(m.misfires)) {
		r.Set(m.misfires[k], e.misfire.drive[k])
	}
	r.Set(m.misfireShare, e.misfire.judge.sharePct)
	for k, name := range heaterCircuits {
		if d := e.drivers.named[name]; d != nil && d.pin.Commanded() {
			r.Set(m.heaters[k], d.pin.Amps())
		}
	}
	for b := range e.cal.Banks {
		r.Set(m.richLean[b], e.watch.front[b].richLeanS)
		r.Set(m.leanRich[b], e.watch.front[b].leanRichS)
	}
	// What is wanted is the throttle's position; the air that it lets in at this
	// speed is known from the coarse map.
	demand := 0.0
	if e.start.running {
		perS := max(e.in.rpm, e.cal.Crank.StallRPM) / 120
		litre := 1.184 * e.cal.DisplacementL
		demand = min(e.cal.coarse(e.idle.throttle, e.in.rpm)/(perS*litre)*100, 100)
	}
	r.Set(m.demand, demand)
}

// vapourL is the space over the fuel that the program reckons with (chosen).
const vapourL = 30

// pulled notes what the open purge valve has done to the tank: with a tight tank
// the mass that left it (ideal gas), else the air that the idle took back.
func (e *Engine) pulled() {
	v, r := &e.evap, e.readings
	down := max(v.fromKPa-e.in.tankKPa, 0)
	r.Set(e.measured.tankPull, max(-e.in.tankKPa, 0))
	gps := float64(vapourL*down) / (0.28705 * 293) / max(v.inS, 1)
	if v.large == 2 {
		gps = max(gps, e.watch.airBefore-e.watch.airMean)
	}
	r.Set(e.measured.purgeFlow, gps)
}
