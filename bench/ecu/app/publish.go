package app

import (
	"sawhorse/bench/car"
	"sawhorse/bench/signal"
)

// publish writes the readings that change at every step.
func (e *Engine) publish() {
	r, in := e.readings, &e.in
	key := car.KeyOn
	if in.keyStart {
		key = car.KeyStart
	}
	e.show(key, in.batteryV)
	r.Set(e.at.RPM, in.rpm)
	r.SetBool(e.at.Running, e.start.running)
	r.SetBool(e.at.Cranking, e.start.relay)
	r.SetBool(e.at.StartAllowed, e.start.allowed)
	r.Set(e.at.RunTime, e.runS)
	kmh, heard := e.ears.value(e.hear.kmh, 0)
	r.Set(e.at.Vehicle, kmh)
	r.Trust(e.at.Vehicle, heard)
	r.Set(e.at.AirMass, e.air.meterGPS)
	r.Set(e.at.MAP, in.mapKPa)
	r.Set(e.at.Throttle, in.throttlePct)
	r.Set(e.at.ThrottleV, in.throttleV)
	r.Set(e.at.ThrottleCommanded, e.idle.throttle)
	r.Set(e.at.ThrottleRelative, max(in.throttlePct-percent(e.learned.throttleRestV, e.cal.Pins.Throttle), 0))
	r.Set(e.at.Pedal, in.pedalPct)
	r.Set(e.at.Pedal2, in.pedal2Pct)
	r.Set(e.at.Clutch, in.clutchPct)
	r.Set(e.at.ClutchV, in.clutchV)
	r.SetBool(e.at.ClutchPressed, e.learned.clutch && in.clutchPct >= e.cal.Clutch.PressedPct)
	r.Set(e.at.Load, e.air.loadPct)
	r.Set(e.at.LoadAbsolute, e.air.absPct)
	r.Set(e.at.Spark, e.idle.spark)
	r.Set(e.at.Short1, e.bank[0].short)
	r.Set(e.at.Long1, e.bank[0].long)
	r.Set(e.at.Short2, e.bank[1].short)
	r.Set(e.at.Long2, e.bank[1].long)
	r.Set(e.at.O2B1S1, in.lambdaV[0])
	r.Set(e.at.O2B1S2, in.lambdaV[1])
	r.Set(e.at.O2B2S1, in.lambdaV[2])
	r.Set(e.at.O2B2S2, in.lambdaV[3])
	r.Set(e.at.FuelSystem1, e.bank[0].status)
	r.Set(e.at.FuelSystem2, e.bank[1].status)
	r.Set(e.at.Lambda, e.fuel.lambda)
	r.Set(e.at.FuelRate, e.fuel.gps*3.6/0.745)
	r.Set(e.at.IdleAir, e.idle.airPct)
	r.Set(e.at.IdleTarget, e.idle.target)
	r.SetBool(e.at.FuelPump, e.car.Actuators.FuelPump)
	r.SetBool(e.at.MIL, e.mil())
}

// publishSlow writes the others, and models the catalyst, which has no sensor.
func (e *Engine) publishSlow() {
	r, in := e.readings, &e.in
	r.Set(e.at.Coolant, in.coolantRawC)
	r.Set(e.at.IntakeAir, in.intakeRawC)
	r.Set(e.at.Oil, in.oilC)
	r.Set(e.at.Ambient, in.ambientC)
	r.Set(e.at.Baro, in.baroKPa)
	r.SetBool(e.at.ClutchLearned, e.learned.clutch)
	r.SetBool(e.at.CrankVariationLearned, e.learned.variationLearned)
	r.Set(e.at.CrankVariation, in.variationPct)
	r.Set(e.at.Gear, float64(in.gear))
	r.SetBool(e.at.ParkNeutral, in.parkNeutral)
	if e.cal.Selector != nil {
		lever, heard := e.ears.value(e.hear.selector, 0)
		gear, _ := e.ears.value(e.hear.gear, 0)
		r.Set(e.at.Selector, lever)
		r.Set(e.at.GearboxGear, gear)
		r.Trust(e.at.Selector, heard)
		r.Trust(e.at.GearboxGear, heard)
	}
	r.SetBool(e.at.ParkingBrake, in.parking)
	r.SetBool(e.at.BrakePedal, in.brake)
	r.Set(e.at.FuelLevel, in.fuelLevelPct)
	r.SetBool(e.at.Fan, e.car.Actuators.Fan)
	key, _ := e.ears.value(e.hear.key, 0)
	r.Set(e.at.BodyKey, key)
	r.SetBool(e.at.Immobiliser, e.learned.keyGood)
	r.SetBool(e.at.SecurityLamp, e.locked)
	gas := in.ambientC
	if e.start.running {
		gas = 400 + min(e.air.flowGPS*5, 480)
	}
	if e.catC == 0 {
		e.catC = in.coolantC // the best guess at key on
	}
	e.catC += float64((gas - e.catC) * slowEvery * dt / 40)
	r.Set(e.at.Catalyst, e.catC)
	r.Set(e.at.Rail, in.railKPa)
	r.Set(e.at.Tank, in.tankKPa)
	r.Set(e.at.Throttle2V, in.throttle2V)
	r.Set(e.at.Knock, in.knockV)
	r.Set(e.at.Purge, e.car.Actuators.PurgePct)
	r.SetBool(e.at.Vent, e.car.Actuators.VentClosed)
	torque := 0.0
	if e.start.running && e.fuel.cut == cutNone {
		torque = min(e.air.absPct, 100)
	}
	r.Set(e.at.Torque, torque)
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
		{e.at.AirMass, f.airMass.bad}, {e.at.IntakeAir, f.intake.bad}, {e.at.Coolant, f.coolant.bad}, {e.at.MAP, f.manifold.bad},
		{e.at.Oil, f.oil.bad}, {e.at.Ambient, f.ambient.bad}, {e.at.FuelLevel, f.level.bad}, {e.at.Gear, f.gear.bad},
		{e.at.Clutch, f.clutch.bad}, {e.at.Throttle, f.throttleLost()}, {e.at.Pedal, f.pedal1.bad},
	} {
		e.readings.Trust(d.reading, !d.bad)
	}
}
