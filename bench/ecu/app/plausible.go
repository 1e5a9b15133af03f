package app

import "time"

// watchState is what the program gathers to compare its sensors with each other.
type watchState struct {
	air                       judged // air mass, against pressure and trims
	coolantJumps, intakeJumps jumps
	crankJumps                jumps
	startCoolantC, modelC     float64
	seenStart                 bool
	trimMean                  float64
	ratio                     float64 // measured air over that by pressure, smoothed
	airMean, airBefore        float64 // g/s, smoothed; when the purge valve opened
	crankedS                  float64 // with the starter on
	frontBad                  [2]bool
	front, rear               [2]swing
	slow, weak, swung         [2]bool // of the last window
	compared                  [2]bool // the catalyst has been judged
	rearIdleS                 [2]float64
	overS                     float64 // start request beyond the start
	fan                       fanWatch
}

// jumps counts how often a signal leaves its range and comes back: more than
// three times in some seconds is a loose contact.
type jumps struct {
	out   bool
	level float64
}

func (j *jumps) see(out bool) bool {
	if out != j.out {
		j.out = out
		if out {
			j.level++
		}
	}
	j.level = max(j.level-0.15*slowEvery*dt, 0)
	return j.level > 2.5
}

// monitorPlausible compares sensors with what the others make likely.
func (e *Engine) monitorPlausible(now time.Duration) {
	in, m, w, s := &e.in, &e.mon, &e.watch, &e.start
	m.CoolantJumps.test(now, w.coolantJumps.see(in.coolantV < ntcLowV || in.coolantV > ntcHighV))
	m.IntakeJumps.test(now, w.intakeJumps.see(in.intakeV < ntcLowV || in.intakeV > ntcHighV))
	turning := in.camHz > 3
	if turning {
		m.CrankJumps.test(now, w.crankJumps.see(in.rawHz == 0))
	}
	if s.running && e.runS > 3 {
		m.CrankWheel.test(now, in.roughPct > 3.5)
	}
	e.monitorCam(now)
	e.monitorAir(now)
	e.monitorHeat(now)
	e.monitorFuel(now)
	e.monitorDriver(now)
	e.monitorMisfire(now)
}

// monitorCam compares the camshaft's place with the crankshaft's.
func (e *Engine) monitorCam(now time.Duration) {
	in := &e.in
	if !e.start.running || in.camHz == 0 || e.runS < 1 {
		return
	}
	d := in.camTurn - float64(e.cycle()/2)
	switch {
	case d > 0.5:
		d--
	case d < -0.5:
		d++
	}
	e.readings.Set(e.at.CamOffset, d*720)
	e.mon.CamTiming.test(now, d > 12.0/720 || d < -12.0/720)
}

// monitorAir compares the measured air with what manifold pressure, speed and
// temperature make likely (speed-density); the trims tell which one is wrong.
func (e *Engine) monitorAir(now time.Duration) {
	in, w := &e.in, &e.watch
	total := 0.0
	for _, k := range e.bank[:e.cal.Banks] {
		total += (k.short + k.long) / float64(e.cal.Banks)
	}
	w.trimMean += float64((total - w.trimMean) * 0.02)
	if !e.start.running || e.start.edgeAgoS > 0 || e.runS < 16 || e.fault.airMass.bad || e.fault.manifold.bad || in.baroKPa < 50 {
		return
	}
	r := 9.0 // compression less one; residual gas as in the usual formula
	ideal := float64((1+1/r)-0.3/(1.3*r)) - in.baroKPa/max(in.mapKPa, 10)/(1.3*r)
	gps := float64(0.93 * max(ideal, 0.2) * in.mapKPa * e.cal.DisplacementL * in.rpm / (120 * 287.05 * (in.intakeC + 288)) * 1000)
	ratio := e.air.meterGPS / max(gps, 0.5)
	w.ratio += float64((ratio - w.ratio) * 0.02)
	off := w.ratio < 0.55 || w.ratio > 1.4
	trims := w.trimMean > 10 || w.trimMean < -10
	closed := e.bank[0].status == fuelClosed || e.bank[1].status == fuelClosed
	if e.runS > 20 && e.idle.active && in.gear == 0 {
		w.air.see(off && trims || w.air.bad && off)
		if !w.air.bad && closed && !trims {
			e.mon.Manifold.test(now, off)
		}
		e.mon.AirMass.test(now, w.air.bad)
	}
}

// monitorHeat compares coolant and intake air with oil, outside air and the heat
// that the fuel has brought.
func (e *Engine) monitorHeat(now time.Duration) {
	in, w, f, cal := &e.in, &e.watch, &e.fault, e.cal
	if !e.start.running {
		w.seenStart = false
		return
	}
	if !w.seenStart {
		w.seenStart, w.startCoolantC, w.modelC = true, in.coolantC, in.coolantC
	}
	cold := !f.coolant.bad && !f.oil.bad && in.oilC-in.coolantRawC > 25
	if !f.coolant.bad && !f.oil.bad {
		e.mon.Coolant.test(now, cold)
	}
	if !f.intake.bad && !f.ambient.bad && e.runS > 5 {
		e.mon.Intake.test(now, in.intakeRawC < in.ambientC-15 || in.intakeRawC > in.ambientC+45)
	}
	if cal.HeatKJPerK <= 0 || f.coolant.bad || cold || w.startCoolantC > 62 {
		return
	}
	const step = slowEvery * dt
	heat := float64(e.fuel.gps*44e3*cal.HeatShare) - float64(30*(w.modelC-in.ambientC))
	w.modelC += float64(heat*step) / (cal.HeatKJPerK * 1000)
	w.modelC = min(w.modelC, 90)
	switch {
	case in.coolantC > 78:
		e.mon.Thermostat.test(now, false)
	case w.modelC > 84:
		e.mon.Thermostat.test(now, true)
	}
}

// monitorFuel watches rail pressure and the pump's supply.
func (e *Engine) monitorFuel(now time.Duration) {
	in, f, w := &e.in, &e.fault, &e.watch
	pump := e.car.Actuators.FuelPump
	if e.pin.pumpFeed != nil {
		if pump && e.upS > 0.5 {
			e.mon.PumpFeedLow.test(now, in.pumpV < 4 && !e.drivers.failed("fuel-pump-relay"))
		}
		if !pump && e.upS > e.cal.Fuel.PrimeS+0.1 {
			e.mon.PumpFeedHigh.test(now, in.pumpV > 4 && !e.drivers.failed("fuel-pump-relay"))
		}
	}
	if e.pin.rail == nil || e.cal.Rail.KPa <= 0 || f.rail.bad {
		return
	}
	w.crankedS += slowEvery * dt
	if !e.start.relay {
		w.crankedS = 0
	}
	fed := in.pumpV > 4 && (f.level.bad || in.fuelLevelPct >= 4)
	if fed && (e.start.running && e.runS > 3 || w.crankedS > 1) {
		e.mon.RailLow.test(now, in.railKPa < float64(0.85*e.cal.Rail.KPa))
		e.mon.RailHigh.test(now, in.railKPa > float64(1.15*e.cal.Rail.KPa))
	}
}

// monitorDriver watches clutch, key and idle.
func (e *Engine) monitorDriver(now time.Duration) {
	in, f, m, w := &e.in, &e.fault, &e.mon, &e.watch
	const step = slowEvery * dt
	if e.learned.clutch && !f.clutch.bad {
		m.ClutchRange.test(now, in.clutchV < e.learned.releasedV-0.35 || in.clutchV > e.learned.pressedV+0.35)
	}
	if !in.keyStart || !e.start.running {
		w.overS = 0
	}
	w.overS += step
	if e.start.running && e.runS > 2 {
		m.StartRequest.test(now, in.keyStart && w.overS > 6)
		if !e.drivers.failed("alternator-field") && e.runS > 8 {
			m.Charging.test(now, in.batteryV < 13.1 && in.batteryV > supplyLowV)
		}
	}
	g := e.cal.Gearbox.RPMPerKmh
	if kmh, heard := e.ears.value(e.hear.kmh, 0); in.gear >= 1 && in.gear <= len(g) && in.clutchPct < 3 && kmh > 15 && in.pedalPct > 20 && heard && !f.gear.bad {
		m.ClutchSlip.test(now, in.rpm > float64(1.15*g[in.gear-1]*kmh))
	}
	if kmh, heard := e.ears.value(e.hear.kmh, 0); heard && e.start.running && e.runS > 2 {
		switch {
		case kmh > 10:
			m.RoadSpeed.test(now, false)
		case e.pulls():
			m.RoadSpeed.test(now, kmh < 1 && in.rpm > 1500)
		}
	}
	if !e.holds("throttle_motor") && !f.throttle1.bad && !f.tracks.bad && in.batteryV > 9 && e.upS > 1 && !e.drivers.failed("throttle-motor") {
		apart := in.throttlePct - e.idle.throttle
		f.plate.see(apart > 5 || apart < -5 || f.plate.bad && (apart > 1 || apart < -1))
		m.PlateOpen.test(now, apart > 5 || f.plate.bad && apart > 1)
		m.PlateClosed.test(now, apart < -5 || f.plate.bad && apart < -1)
	}
	s := &e.idle
	if s.active && in.gear == 0 && e.runS > 12 && !f.airMass.bad && !w.air.bad && !f.throttleLost() && !e.drivers.failed("throttle-motor") {
		m.IdleSlow.test(now, s.meanRPM < s.target-100)
		m.IdleFast.test(now, s.meanRPM > s.target+150 && e.fuel.cut == cutNone)
	}
}

// pulls reports whether the engine turns the wheels: a gear with the clutch closed, or
// what an automatic gearbox chooses for a car on its way.
func (e *Engine) pulls() bool {
	in, f := &e.in, &e.fault
	if e.cal.Selector != nil {
		gear, heard := e.ears.value(e.hear.gear, 0)
		return heard && gear >= 2 && in.pedalPct > 10
	}
	return in.gear >= 1 && in.gear <= len(e.cal.Gearbox.RPMPerKmh) && in.clutchPct < 3 && in.pedalPct > 10 && !f.gear.bad && !f.clutch.bad
}

func (e *Engine) monitorMisfire(now time.Duration) {
	m := &e.misfire.judge
	if m.asked {
		e.askLamp()
	}
	if !m.judged || !e.start.running {
		return
	}
	e.mon.Misfire.test(now, m.many)
	for k := range min(e.cal.Cylinders, 8) {
		e.mon.Cylinder[k].test(now, m.over[k])
	}
}
