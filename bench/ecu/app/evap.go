package app

import "time"

// Stages of the tank's leak test, once in a drive.
const (
	evapWait = iota
	evapIdle // vent closed, purge closed: nothing must move
	evapPull // purge open: the pressure must fall
	evapHold // both closed: it must stay
	evapOpen // vent open: it must come back
	evapDone
)

type evapState struct {
	stage   int
	inS     float64
	fromKPa float64
	// Results of the test; judged with the stage they belong to.
	flow, small, large, vent, open int8 // 0 not known, 1 good, 2 bad
}

// purgeTank commands purge and vent, and tests the tank system at idle.
func (e *Engine) purgeTank(now time.Duration) {
	v, in, a := &e.evap, &e.in, &e.car.Actuators
	cal := &e.cal.Evap
	a.PurgePct, a.VentClosed = 0, false
	if e.pin.tank == nil || cal.PullKPa <= 0 {
		if e.start.running && e.bank[0].status == fuelClosed && e.runS > cal.FromS && in.coolantC > cal.FromC {
			a.PurgePct = cal.PurgePct
		}
		return
	}
	e.watch.airMean += float64((e.air.meterGPS - e.watch.airMean) * 0.002)
	calm := e.start.running && e.runS > cal.FromS && in.coolantC > cal.FromC && e.idle.active && in.gear == 0
	sound := !e.fault.tank.bad && !e.drivers.failed("purge-valve") && !e.drivers.failed("vent-valve")
	v.inS += dt
	enter := func(stage int) { v.stage, v.inS, v.fromKPa = stage, 0, in.tankKPa }
	if v.stage > evapWait && v.stage < evapDone && !(calm && sound) {
		enter(evapWait)
	}
	switch v.stage {
	case evapWait:
		if calm && sound {
			enter(evapIdle)
		} else if e.start.running && e.bank[0].status == fuelClosed && e.runS > cal.FromS {
			a.PurgePct = cal.PurgePct
		}
	case evapIdle:
		a.VentClosed = true
		if in.tankKPa < v.fromKPa-0.3 {
			v.open = 2
			enter(evapDone)
		} else if v.inS > 3 {
			v.open = 1
			e.watch.airBefore = e.watch.airMean
			enter(evapPull)
		}
	case evapPull:
		a.VentClosed, a.PurgePct = true, 100
		switch {
		case in.tankKPa < -cal.PullKPa:
			v.flow, v.large = 1, 1
			e.pulled()
			enter(evapHold)
		case v.inS > 12:
			// A blocked purge moves nothing at all; a large leak lets it move a little.
			v.flow, v.large = 2, 0
			if e.purgeFelt() {
				v.flow, v.large = 1, 2
			}
			e.pulled()
			enter(evapDone)
		}
	case evapHold:
		a.VentClosed = true
		if v.inS > cal.HoldS {
			v.small = 1
			e.readings.Set(e.at.TankRise, in.tankKPa-v.fromKPa)
			if in.tankKPa-v.fromKPa > cal.SmallKPa {
				v.small = 2
			}
			enter(evapOpen)
		}
	case evapOpen:
		if v.inS > 3 {
			v.vent = 1
			if in.tankKPa < -cal.PullKPa/4 {
				v.vent = 2
			}
			enter(evapDone)
		}
	case evapDone:
		if e.bank[0].status == fuelClosed && v.open != 2 {
			a.PurgePct = cal.PurgePct
		}
	}
	if e.steps%slowEvery != 0 {
		return
	}
	m := &e.mon
	for _, r := range [...]struct {
		m *monitor
		r int8
	}{{&m.PurgeFlow, v.flow}, {&m.SmallLeak, v.small}, {&m.LargeLeak, v.large}, {&m.Vent, v.vent}, {&m.PurgeOpen, v.open}} {
		if r.r != 0 {
			r.m.test(now, r.r == 2)
		}
	}
}

// purgeFelt reports whether opening the purge valve has reached the engine: the
// idle control has had to take metered air back.
func (e *Engine) purgeFelt() bool {
	return e.watch.airBefore-e.watch.airMean > 0.1
}
