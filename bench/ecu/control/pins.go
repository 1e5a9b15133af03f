package control

import (
	"math"

	"sawhorse/bench/car"
	"sawhorse/bench/car/exact"
)

// enginePins are the circuits at the engine ECU's plug.
type enginePins struct {
	battery, ignition, start                       *car.Circuit
	crank, cam                                     *car.Circuit
	airMass, intakeAir, manifold                   *car.Circuit
	throttle1, throttle2, pedal1, pedal2, clutch   *car.Circuit
	coolant, oil, ambient, gear, brake, parking    *car.Circuit
	fuelLevel, lambda11, lambda12, lambda21, lam22 *car.Circuit
	rail, tank, pumpFeed, knock                    *car.Circuit // nil where the car has none
}

func findEnginePins(p *pins) enginePins {
	return enginePins{
		battery: p.need("battery-sense"), ignition: p.need("ignition-feed"), start: p.need("start-request"),
		crank: p.need("crank-sensor"), cam: p.need("cam-sensor"),
		airMass: p.need("air-mass-sensor"), intakeAir: p.need("intake-air-sensor"), manifold: p.need("manifold-pressure-sensor"),
		throttle1: p.need("throttle-sensor-1"), throttle2: p.need("throttle-sensor-2"),
		pedal1: p.need("pedal-sensor-1"), pedal2: p.need("pedal-sensor-2"), clutch: p.need("clutch-sensor"),
		coolant: p.need("coolant-sensor"), oil: p.need("oil-sensor"), ambient: p.need("ambient-sensor"),
		gear: p.need("gear-sensor"), brake: p.need("brake-switch"), parking: p.need("parking-brake-switch"),
		fuelLevel: p.need("fuel-level-sensor"),
		lambda11:  p.need("lambda-sensor-b1s1"), lambda12: p.need("lambda-sensor-b1s2"),
		lambda21: p.need("lambda-sensor-b2s1"), lam22: p.need("lambda-sensor-b2s2"),
		rail: p.want("rail-pressure-sensor"), tank: p.want("tank-pressure-sensor"),
		pumpFeed: p.want("fuel-pump-feedback"), knock: p.want("knock-sensor"),
	}
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
	brake, parking              bool
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
	e.in.batteryV = e.pin.battery.Volts()
	e.in.powered = e.in.batteryV > 5.5 && closed(e.pin.ignition)
	e.in.keyStart = closed(e.pin.start)
}

func (e *Engine) readFast() {
	in, cal := &e.in, e.cal
	in.airV = adc(e.pin.airMass.Volts())
	in.throttleV, in.throttle2V = adc(e.pin.throttle1.Volts()), adc(e.pin.throttle2.Volts())
	in.pedal1V, in.pedal2V = adc(e.pin.pedal1.Volts()), adc(e.pin.pedal2.Volts())
	in.clutchV = adc(e.pin.clutch.Volts())
	in.mapV = adc(e.pin.manifold.Volts())
	in.lambdaV = [4]float64{e.pin.lambda11.Volts(), e.pin.lambda12.Volts(), e.pin.lambda21.Volts(), e.pin.lam22.Volts()}

	in.throttlePct = percent(in.throttleV, cal.Pins.Throttle)
	if e.fault.throttle1.bad {
		in.throttlePct = 100 - percent(in.throttle2V, cal.Pins.Throttle)
	}
	in.pedalPct, in.pedal2Pct = percent(in.pedal1V, cal.Pins.Pedal1), percent(in.pedal2V, cal.Pins.Pedal2)
	in.clutchPct = percent(in.clutchV, [2]float64{e.learned.releasedV, e.learned.pressedV})
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
	in.oilV, in.ambientV = adc(e.pin.oil.Volts()), adc(e.pin.ambient.Volts())
	in.coolantRawC, in.intakeRawC = cal.celsius(in.coolantV), cal.celsius(in.intakeV)
	in.oilC, in.ambientC = cal.celsius(in.oilV), cal.celsius(in.ambientV)
	in.coolantC = believed(&e.fault.coolant, in.coolantV, in.coolantRawC, in.coolantC, cal.Temperatures.SubstituteCoolant)
	in.intakeC = believed(&e.fault.intake, in.intakeV, in.intakeRawC, in.intakeC, cal.Temperatures.SubstituteIntake)
	in.gearV, in.fuelLevelV = adc(e.pin.gear.Volts()), adc(e.pin.fuelLevel.Volts())
	g := percent(in.gearV, cal.Pins.GearV) / 100
	in.gear = int(math.Floor(cal.Pins.Gear[0] + float64(g*(cal.Pins.Gear[1]-cal.Pins.Gear[0])) + 0.5))
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
