package app

import (
	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// publish writes the readings that change at every step.
func (e *Engine) publish() {
	r, in := e.Readings, &e.in
	r.SetBool(rPowered, true)
	key := car.KeyOn
	if in.keyStart {
		key = car.KeyStart
	}
	r.Set(rKey, float64(key))
	r.Set(rRPM, in.rpm)
	r.SetBool(rRunning, e.start.running)
	r.SetBool(rCranking, e.start.relay)
	r.SetBool(rStartAllowed, e.start.allowed)
	r.Set(rRunTime, e.runS)
	kmh, heard := e.ears.value(e.hear.kmh, 0)
	r.Set(rVehicle, kmh)
	r.Trust(rVehicle, heard)
	r.Set(rAirMass, e.air.meterGPS)
	r.Set(rMAP, in.mapKPa)
	r.Set(rThrottle, in.throttlePct)
	r.Set(rThrottleV, in.throttleV)
	r.Set(rThrottleCommanded, e.idle.throttle)
	r.Set(rThrottleRelative, max(in.throttlePct-percent(e.learned.throttleRestV, e.cal.Pins.Throttle), 0))
	r.Set(rPedal, in.pedalPct)
	r.Set(rPedal2, in.pedal2Pct)
	r.Set(rClutch, in.clutchPct)
	r.Set(rClutchV, in.clutchV)
	r.SetBool(rClutchPressed, e.learned.clutch && in.clutchPct >= e.cal.Clutch.PressedPct)
	r.Set(rBattery, in.batteryV)
	r.Set(rLoad, e.air.loadPct)
	r.Set(rLoadAbsolute, e.air.absPct)
	r.Set(rSpark, e.idle.spark)
	r.Set(rShort1, e.bank[0].short)
	r.Set(rLong1, e.bank[0].long)
	r.Set(rShort2, e.bank[1].short)
	r.Set(rLong2, e.bank[1].long)
	r.Set(rO2B1S1, in.lambdaV[0])
	r.Set(rO2B1S2, in.lambdaV[1])
	r.Set(rO2B2S1, in.lambdaV[2])
	r.Set(rO2B2S2, in.lambdaV[3])
	r.Set(rFuelSystem1, e.bank[0].status)
	r.Set(rFuelSystem2, e.bank[1].status)
	r.Set(rLambda, e.fuel.lambda)
	r.Set(rFuelRate, e.fuel.gps*3.6/0.745)
	r.Set(rIdleAir, e.idle.airPct)
	r.Set(rIdleTarget, e.idle.target)
	r.SetBool(rFuelPump, e.car.Actuators.FuelPump)
	r.SetBool(rMIL, e.mil())
}

// publishSlow writes the others, and models the catalyst, which has no sensor.
func (e *Engine) publishSlow() {
	r, in := e.Readings, &e.in
	r.Set(rCoolant, in.coolantRawC)
	r.Set(rIntakeAir, in.intakeRawC)
	r.Set(rOil, in.oilC)
	r.Set(rAmbient, in.ambientC)
	r.Set(rBaro, in.baroKPa)
	r.SetBool(rClutchLearned, e.learned.clutch)
	r.SetBool(rCrankVariationLearned, e.learned.variationLearned)
	r.Set(rCrankVariation, in.variationPct)
	r.Set(rGear, float64(in.gear))
	r.SetBool(rParkNeutral, in.parkNeutral)
	if e.cal.Selector != nil {
		lever, heard := e.ears.value(e.hear.selector, 0)
		gear, _ := e.ears.value(e.hear.gear, 0)
		r.Set(rSelector, lever)
		r.Set(rGearboxGear, gear)
		r.Trust(rSelector, heard)
		r.Trust(rGearboxGear, heard)
	}
	r.SetBool(rParkingBrake, in.parking)
	r.SetBool(rBrakePedal, in.brake)
	r.Set(rFuelLevel, in.fuelLevelPct)
	r.SetBool(rFan, e.car.Actuators.Fan)
	key, _ := e.ears.value(e.hear.key, 0)
	r.Set(rBodyKey, key)
	r.SetBool(rImmobiliser, e.learned.keyGood)
	r.SetBool(rSecurityLamp, e.locked)
	gas := in.ambientC
	if e.start.running {
		gas = 400 + min(e.air.flowGPS*5, 480)
	}
	if e.catC == 0 {
		e.catC = in.coolantC // the best guess at key on
	}
	e.catC += float64((gas - e.catC) * slowEvery * dt / 40)
	r.Set(rCatalyst, e.catC)
	r.Set(rRail, in.railKPa)
	r.Set(rTank, in.tankKPa)
	r.Set(rThrottle2V, in.throttle2V)
	r.Set(rKnock, in.knockV)
	r.Set(rPurge, e.car.Actuators.PurgePct)
	r.SetBool(rVent, e.car.Actuators.VentClosed)
	torque := 0.0
	if e.start.running && e.fuel.cut == cutNone {
		torque = min(e.air.absPct, 100)
	}
	r.Set(rTorque, torque)
	e.publishMeasured()
	e.doubt()
}

// doubt says which readings the program does not believe itself: others must not work
// with them.
func (e *Engine) doubt() {
	f := &e.fault
	for _, d := range [...]struct {
		reading signal.Ref
		bad     bool
	}{
		{rAirMass, f.airMass.bad}, {rIntakeAir, f.intake.bad}, {rCoolant, f.coolant.bad}, {rMAP, f.manifold.bad},
		{rOil, f.oil.bad}, {rAmbient, f.ambient.bad}, {rFuelLevel, f.level.bad}, {rGear, f.gear.bad},
		{rClutch, f.clutch.bad}, {rThrottle, f.throttleLost()}, {rPedal, f.pedal1.bad},
	} {
		e.Readings.Trust(d.reading, !d.bad)
	}
}
