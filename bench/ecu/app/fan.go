package app

import "time"

// fanWatch sees by the supply whether the radiator fan takes its current.
type fanWatch struct {
	on, looking, judged, dead bool
	offS, onS                 float64
	meanV, leastV             float64
}

const (
	fanAfterStartS = 3   // the starter has the battery first
	fanDipV        = 0.3 // less is no fan of some hundred watts; the alternator takes 0.1 s to follow
	fanLookS       = 0.4
)

// monitorFan expects the supply to dip when the fan comes on while the engine runs.
func (e *Engine) monitorFan(now time.Duration) {
	const step = slowEvery * dt
	w, v, on := &e.watch.fan, e.in.batteryV, e.car.Actuators.Fan
	switch {
	case !on:
		if w.on || w.meanV == 0 {
			w.meanV, w.offS = v, 0
		}
		w.meanV += float64((v - w.meanV) * 0.1)
		w.offS += step
		w.looking = false
	case !w.on:
		w.looking = e.start.running && w.offS > 1
		w.onS, w.leastV = 0, v
	}
	w.on = on
	if w.looking {
		w.onS += step
		w.leastV = min(w.leastV, v)
		if w.onS > fanLookS {
			w.looking, w.judged, w.dead = false, true, w.leastV > w.meanV-fanDipV
		}
	}
	if w.judged && !e.drivers.failed("fan-relay") {
		e.mon.Fan.test(now, w.dead)
	}
}
