package app

import (
	"math"

	"sawhorse/bench/car"
	"sawhorse/bench/car/exact"
)

// enginePins are the circuits at the engine ECU's plug.
type enginePins struct {
	start                                          *car.Circuit
	crank, cam                                     *car.Circuit
	airMass, intakeAir, manifold                   *car.Circuit
	throttle1, throttle2, pedal1, pedal2, clutch   *car.Circuit
	coolant, oil, ambient, gear, brake, parking    *car.Circuit
	fuelLevel, lambda11, lambda12, lambda21, lam22 *car.Circuit
	rail, tank, pumpFeed, knock                    *car.Circuit // nil where the car has none
	parkNeutral                                    *car.Circuit // of an automatic gearbox, which has neither clutch nor gear
}

func findEnginePins(p *base, cal *calibration) enginePins {
	e := enginePins{
		start: p.need("start-request"),
		crank: p.need("crank-sensor"), cam: p.need("cam-sensor"),
		airMass: p.need("air-mass-sensor"), intakeAir: p.need("intake-air-sensor"), manifold: p.need("manifold-pressure-sensor"),
		throttle1: p.need("throttle-sensor-1"), throttle2: p.need("throttle-sensor-2"),
		pedal1: p.need("pedal-sensor-1"), pedal2: p.need("pedal-sensor-2"),
		coolant: p.need("coolant-sensor"), oil: p.want("oil-sensor"), ambient: p.want("ambient-sensor"),
		brake: p.need("brake-switch"), parking: p.need("parking-brake-switch"),
		fuelLevel: p.need("fuel-level-sensor"),
		lambda11:  p.need("lambda-sensor-b1s1"), lambda12: p.need("lambda-sensor-b1s2"),
		rail: p.want("rail-pressure-sensor"), tank: p.want("tank-pressure-sensor"),
		pumpFeed: p.want("fuel-pump-feedback"), knock: p.want("knock-sensor"),
	}
	if cal.Banks == 2 {
		e.lambda21, e.lam22 = p.need("lambda-sensor-b2s1"), p.need("lambda-sensor-b2s2")
	}
	if cal.Clutch != nil {
		e.clutch, e.gear = p.need("clutch-sensor"), p.need("gear-sensor")
	} else {
		e.parkNeutral = p.need("park-neutral-switch")
	}
	return e
}

// inputs is what the program makes of its pins.
type inputs struct {
	powered, keyStart           bool
	batteryV                    float64
	rawHz, camHz, rpm, accel    float64
	turn                        float64
	airV, throttleV, throttle2V float64
	pedal1V, pedal2V, clutchV   float64
	mapV, coolantV, intakeV     float64
	oilV, ambientV              float64
	throttlePct, pedalPct       float64
	pedal2Pct, clutchPct        float64
	mapKPa, baroKPa             float64
	coolantC, intakeC           float64 // with substitutes
	coolantRawC, intakeRawC     float64
	oilC, ambientC              float64
	gear                        int
	brake, parking, parkNeutral bool
	lambdaV                     [4]float64 // b1s1 b1s2 b2s1 b2s2
	fuelLevelPct                float64
	fuelLevelV, gearV           float64
	railV, railKPa              float64
	tankV, tankKPa              float64
	pumpV, knockV               float64
	camTurn, roughPct           float64

	// Seen run-out of the crank wheel, gathered over a turn.
	sumSin, sumCos, sum, lastTurn, variationPct float64
}

// adc is what the 12-bit converter makes of a voltage.
func adc(v float64) float64 {
	const perVolt = 4095 / 5.12
	return float64(math.Floor(float64(v*perVolt)+0.5) * (1 / perVolt))
}

// closed reads a switch to ground.
func closed(c *car.Circuit) bool { return c.Volts() < 4 }

// percent is where v stands between two voltages.
func percent(v float64, span [2]float64) float64 {
	return min(max((v-span[0])/(span[1]-span[0])*100, 0), 100)
}

// along is what lies at a percentage of a span.
func along(span [2]float64, pct float64) float64 {
	return span[0] + float64(pct/100*(span[1]-span[0]))
}

// celsius is the temperature of an NTC sensor by the voltage at its pull-up,
// -40 to 150 degC.
func (c *calibration) celsius(v float64) float64 {
	t := &c.Temperatures
	if v >= 4.98 {
		return -40
	}
	ohm := t.PullOhm * max(v, 0.001) / (5 - v)
	k := 1 / (1/(t.AtC+273.15) + exact.Log(ohm/t.Ohm)/t.BK)
	return min(max(k-273.15, -40), 150)
}

func (e *Engine) readSupply() {
	volts, alive := e.supplied()
	e.in.batteryV, e.in.powered = volts, alive && e.keyOn()
	e.in.keyStart = closed(e.pin.start)
}

func (e *Engine) readFast() {
	in, cal := &e.in, e.cal
	in.airV = adc(e.pin.airMass.Volts())
	in.throttleV, in.throttle2V = adc(e.pin.throttle1.Volts()), adc(e.pin.throttle2.Volts())
	in.pedal1V, in.pedal2V = adc(e.pin.pedal1.Volts()), adc(e.pin.pedal2.Volts())
	if e.pin.clutch != nil {
		in.clutchV = adc(e.pin.clutch.Volts())
		in.clutchPct = percent(in.clutchV, [2]float64{e.learned.releasedV, e.learned.pressedV})
	} else {
		in.parkNeutral = closed(e.pin.parkNeutral)
	}
	in.mapV = adc(e.pin.manifold.Volts())
	in.lambdaV[0], in.lambdaV[1] = e.pin.lambda11.Volts(), e.pin.lambda12.Volts()
	if e.pin.lambda21 != nil {
		in.lambdaV[2], in.lambdaV[3] = e.pin.lambda21.Volts(), e.pin.lam22.Volts()
	}

	in.throttlePct = percent(in.throttleV, cal.Pins.Throttle)
	if e.fault.throttle1.bad {
		in.throttlePct = 100 - percent(in.throttle2V, cal.Pins.Throttle)
	}
	in.pedalPct, in.pedal2Pct = percent(in.pedal1V, cal.Pins.Pedal1), percent(in.pedal2V, cal.Pins.Pedal2)
	m := percent(in.mapV, cal.Pins.ManifoldV) / 100
	in.mapKPa = cal.Pins.ManifoldKPa[0] + float64(m*(cal.Pins.ManifoldKPa[1]-cal.Pins.ManifoldKPa[0]))
	e.readCrank()
}

// readCrank takes the speed from the tooth rate; where the wheel's run-out is
// learned, most of it is taken out again.
func (e *Engine) readCrank() {
	in := &e.in
	if was := in.rawHz; was > 0 {
		// A wheel with damaged teeth jumps from one reading to the next.
		jump := (e.pin.crank.Hertz() - was) / was * 100
		in.roughPct += float64((math.Abs(jump) - in.roughPct) * 0.02)
	}
	in.rawHz, in.camHz, in.turn = e.pin.crank.Hertz(), e.pin.cam.Hertz(), e.pin.crank.Turn()
	in.camTurn = e.pin.cam.Turn()
	rpm := in.rawHz
	if rpm > 0 && e.learned.variationLearned {
		known := float64(e.learned.variation * (1 - e.cal.Crank.LeftPct/100) / 100)
		rpm /= 1 + float64(known*exact.Sin(in.turn))
	}
	if rpm > 0 {
		e.seeVariation()
	}
	in.accel += float64(((rpm-in.rpm)/dt - in.accel) * 0.5)
	in.rpm = rpm
}

// seeVariation measures the wheel's run-out: the part of the tooth rate that
// repeats with every turn.
func (e *Engine) seeVariation() {
	in := &e.in
	if in.turn < in.lastTurn && in.sum > 0 {
		size := math.Sqrt(float64(in.sumSin*in.sumSin)+float64(in.sumCos*in.sumCos)) / in.sum * 200
		in.variationPct += float64((min(size, 20) - in.variationPct) * 0.05)
		in.sumSin, in.sumCos, in.sum = 0, 0, 0
	}
	in.lastTurn = in.turn
	d := in.rawHz - e.idle.meanRPM
	in.sumSin += float64(d * exact.Sin(in.turn))
	in.sumCos += float64(d * exact.Cos(in.turn))
	in.sum += in.rawHz
}

func (e *Engine) readSlow() {
	in, cal := &e.in, e.cal
	in.coolantV, in.intakeV = adc(e.pin.coolant.Volts()), adc(e.pin.intakeAir.Volts())
	in.coolantRawC, in.intakeRawC = cal.celsius(in.coolantV), cal.celsius(in.intakeV)
	if e.pin.oil != nil {
		in.oilV = adc(e.pin.oil.Volts())
		in.oilC = cal.celsius(in.oilV)
	}
	if e.pin.ambient != nil {
		in.ambientV = adc(e.pin.ambient.Volts())
		in.ambientC = cal.celsius(in.ambientV)
	}
	in.coolantC = believed(&e.fault.coolant, in.coolantV, in.coolantRawC, in.coolantC, cal.Temperatures.SubstituteCoolant)
	in.intakeC = believed(&e.fault.intake, in.intakeV, in.intakeRawC, in.intakeC, cal.Temperatures.SubstituteIntake)
	in.fuelLevelV = adc(e.pin.fuelLevel.Volts())
	e.readGear()
	in.brake, in.parking = closed(e.pin.brake), closed(e.pin.parking)
	in.fuelLevelPct = percent(in.fuelLevelV, cal.Pins.FuelLevelV)
	if e.pin.rail != nil {
		in.railV = adc(e.pin.rail.Volts())
		in.railKPa = along(cal.Rail.SensorKPa, percent(in.railV, cal.Rail.SensorV))
	}
	if e.pin.tank != nil {
		in.tankV = adc(e.pin.tank.Volts())
		in.tankKPa = along(cal.Evap.SensorKPa, percent(in.tankV, cal.Evap.SensorV))
	}
	if e.pin.pumpFeed != nil {
		in.pumpV = e.pin.pumpFeed.Volts()
	}
	if e.pin.knock != nil {
		in.knockV = adc(e.pin.knock.Volts())
	}
	if in.rawHz == 0 && in.camHz == 0 && e.upS > 0.1 && !e.fault.manifold.bad {
		in.baroKPa = in.mapKPa
	}
}

// readGear takes the gear from the lever's sensor; of an automatic gearbox the
// program knows by its own switch only whether a range is engaged.
func (e *Engine) readGear() {
	in, p := &e.in, &e.cal.Pins
	if e.pin.gear != nil {
		in.gearV = adc(e.pin.gear.Volts())
		in.gear = int(math.Floor(along(p.Gear, percent(in.gearV, p.GearV)) + 0.5))
		return
	}
	in.gear = 1
	if in.parkNeutral {
		in.gear = 0
	}
}

// loose reports whether nothing but the engine itself keeps the idle from its
// target: out of gear, or behind a converter with the car at rest.
func (e *Engine) loose() bool {
	in := &e.in
	if e.cal.Selector != nil {
		kmh, _ := e.ears.value(e.hear.kmh, 0)
		return in.parkNeutral || kmh < 1
	}
	return in.gear == 0 || in.clutchPct > 50
}

// believed is the temperature to work with: the last good one while a voltage
// is out of range, the substitute once the sensor has failed.
func believed(j *judged, v, now, last, substitute float64) float64 {
	switch {
	case j.bad:
		return substitute
	case v < ntcLowV || v > ntcHighV:
		return last
	}
	return now
}
