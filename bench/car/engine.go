package car

import (
	"math"
	"math/rand/v2"

	"sawhorse/bench/car/exact"
	"sawhorse/bench/signal"
)

// Constants of the air, [ICEF].
const (
	gasR       = 287.05 // J/(kg K)
	airGamma   = 1.4
	gammaBurnt = 1.3    // of the charge in the ideal volumetric efficiency
	psiChoked  = 0.6847 // flow function at and below the critical pressure ratio
)

// psiSize divides the unchoked range of pressure ratios, 0.528 to 0.99.
const (
	psiSize   = 128
	psiFirst  = 0.5282818
	psiLinear = 0.99 // from here straight to 0, or the integrator gets no grip
)

// engine is the state from throttle to crankshaft.
type engine struct {
	throttle float64 // %
	manifold float64 // kPa
	airIn    float64 // g/s through throttle
	airSense float64 // g/s at the hot wire, which lags
	airCyl   float64 // g/s into the cylinders
	airMg    float64 // mg of air in one cylinder's stroke
	fuelMg   [2]float64
	film     [2]float64 // mg on the wall, per cylinder
	lambda   [2]float64 // of the charge
	railKPa  float64
	fuelGPS  float64
	fuelPct  float64

	torque   float64 // N m of combustion
	omega    float64 // rad/s
	cycle    float64 // turns of the crank, 0..2
	slot     int     // place in the firing order
	rough    float64 // torque factor of this firing
	running  bool
	clutchNM float64
	carried  float64 // share of the firings' unevenness that the locked driveline takes
	shake    float64 // rad/s by which it lets the crank swing

	bankOf  [maxCylinders]int // 0 or 1
	order   [maxCylinders]int // cylinders as they fire, from 0
	banks   int
	share   [2]float64            // of the injectors' fuel that comes
	power   [maxCylinders]float64 // torque of a cylinder's charge against the mean
	mix     float64               // mean torque of the charges against stoichiometric ones
	lit     [2]float64            // share of a bank's charges that have a spark
	drip    [2]float64            // mg that leaking injectors add to a charge, on average
	dosed   dosed
	missed  float64 // of the last hundred firings
	stoich  float64
	dropKPa float64 // lost in the air filter
	backKPa float64 // in the exhaust

	exhaustLag [2]float64 // lambda at the sensor, after the gas's way
	sensorLag  [2]float64 // lambda the sensor has reached
	afterCat   [2]float64

	chance *rand.Rand
	psi    [psiSize + 1]float64
	cosA0  float64

	// Worked out once a step.
	area    float64 // m2, effective
	chargeK float64 // temperature of the charge
	flowK   float64 // p0 area / sqrt(R T0), kg/s
	leakK   float64 // the same of air that passes no sensor
	sparkF  float64 // efficiency left by the spark's angle
}

func (e *engine) init(s *EngineSpec, r *rand.Rand) {
	e.chance = r
	e.rough, e.mix, e.stoich = 1, 1, s.StoichRatio
	e.layOut(s)
	for i := range e.lambda {
		e.lambda[i], e.exhaustLag[i], e.sensorLag[i], e.afterCat[i] = 1, 2, 2, 2 // air in the exhaust
	}
	for i := range e.psi {
		e.psi[i] = flowFunction(psiFirst + float64((psiLinear-psiFirst)*float64(i)/psiSize))
	}
	e.cosA0 = exact.Cos(s.ThrottleClosed / 360)
	e.throttle = s.ThrottleRestPct
}

// flowFunction is Psi of compressible flow through an orifice, [ICEF app. C].
func flowFunction(pr float64) float64 {
	a := 1 - exact.Pow(pr, (airGamma-1)/airGamma)
	return exact.Pow(pr, 1/airGamma) * math.Sqrt(2*airGamma/(airGamma-1)*a)
}

// psiAt gives the flow function and its slope at a pressure ratio.
func (e *engine) psiAt(pr float64) (psi, slope float64) {
	switch {
	case pr <= psiFirst:
		return psiChoked, 0
	case pr >= psiLinear:
		slope = -e.psi[psiSize] / (1 - psiLinear)
		return float64(slope * (pr - 1)), slope
	}
	const perCell = psiSize / (psiLinear - psiFirst)
	x := float64((pr - psiFirst) * perCell)
	i := min(int(x), psiSize-1)
	d := e.psi[i+1] - e.psi[i]
	return e.psi[i] + float64((x-float64(i))*d), float64(d * perCell)
}

func (e *engine) rpm() float64 { return float64(e.omega * (30 / math.Pi)) }

// crankRPM is the crankshaft's own speed, which in gear swings about that of the
// driveline.
func (e *engine) crankRPM() float64 { return max(float64((e.omega+e.shake)*(30/math.Pi)), 0) }

// breathe works out what changes slowly enough for one value a step: throttle,
// fuel, spark, temperature of the charge.
func (c *Car) breathe() {
	s := &c.spec.Engine
	target, rate := s.ThrottleRestPct, 0.06
	if c.on[loadThrottle] {
		target, rate = min(max(c.Actuators.ThrottlePct, 0), 100), 0.25
	}
	if stuck := c.is(partThrottlePlate); stuck != free {
		target = stuck
	}
	c.throttle += float64((target - c.throttle) * rate)

	// Plate area with the shaft ignored, [ICEF app. C].
	a := s.ThrottleClosed + float64(c.throttle/100*(90-s.ThrottleClosed))
	bore := s.ThrottleMM * 1e-3
	plate := float64(math.Pi / 4 * bore * bore * (1 - exact.Cos(a/360)/c.cosA0))
	c.area = max(float64(s.ThrottleFlow*plate)+float64((s.LeakMM2-c.is(partThrottleDeposit))*1e-6), 1e-7)
	flow2 := float64(c.airSense * c.airSense)
	open := 1 - c.share100(partAirFilter)
	c.dropKPa = min(float64(s.FilterDrop*flow2)/float64(open*open), 80)
	open = 1 - c.share100(partExhaustBlocked)
	c.backKPa = min(float64(s.ExhaustDrop*flow2)/float64(open*open), 150)

	c.chargeK = kelvin + c.intakeC + float64(0.25*(c.coolantC-c.intakeC))/(1+c.airCyl/15)
	t0 := kelvin + c.intakeC
	perArea := float64((c.baroKPa()-c.dropKPa)*1000) / math.Sqrt(gasR*t0)
	c.flowK = float64(c.area * perArea)
	c.leakK = float64(c.is(partVacuumLeak) * 1e-6 * perArea)
	c.stoich = s.StoichRatio - float64(c.share100(partEthanol)*(s.StoichRatio-8.95)) // ethanol: 8.95 to 9.0

	c.pressRail()
	flow := math.Sqrt(min(max(c.railKPa/s.RailKPa, 0), 2))
	c.dose()
	for b := range c.banks {
		c.inject(b, flow)
	}
	if c.banks == 1 {
		c.fuelMg[1], c.lambda[1] = c.fuelMg[0], c.lambda[0]
	}
	c.mixture()
	best := s.BestSpark.At(c.rpm()) - c.Actuators.SparkDeg
	c.sparkF = 0
	if c.lit[0]+c.lit[1] > 0 {
		c.sparkF = max(1-float64(s.SparkLoss*best*best), 0.1)
	}
}

func (c *Car) baroKPa() float64 { return c.Truth.Get(c.at.Baro) }

// inject meters one bank's fuel: a share wets the wall and evaporates, [IMC].
func (c *Car) inject(b int, flow float64) {
	s := &c.spec.Engine
	mg := min(max(float64(c.Actuators.FuelMg[b]*flow*c.share[b]*(1+s.BankFuelPct[b]/100)), 0), 500)
	strokes := c.rpm() / 120 // of one cylinder, per second
	gone := float64(c.film[b] * h / s.FilmS)
	c.film[b] += float64(s.FilmShare*mg*strokes*h) - gone
	c.fuelMg[b] = float64((1 - s.FilmShare) * mg)
	if strokes > 0.3 {
		c.fuelMg[b] += gone / (strokes * h)
	}
	c.fuelMg[b] += c.leakMg(b)
	c.lambda[b] = 10
	if air := c.airMg; c.fuelMg[b] > 0.05 {
		c.lambda[b] = min(max(air/float64(c.stoich*c.fuelMg[b]), 0.1), 10)
	}
}

// turn moves manifold, crankshaft and wheels by dt.
func (c *Car) turn(dt float64) {
	s := &c.spec.Engine
	n := c.rpm()
	c.fill(dt, n)

	// Combustion: the torque of a charge comes about one and a quarter turns
	// after its injection, [IMC].
	goal := 0.0
	if n > 40 {
		goal = c.burn(n)
		c.torque += float64((goal - c.torque) * min(float64(dt*n)/75, 1))
	} else {
		c.torque = 0
	}
	c.cycle += float64(c.omega*dt) / (2 * math.Pi)
	c.cycle -= float64(2 * math.Floor(c.cycle/2))
	if slot := int(float64(c.cycle*float64(s.Cylinders)) / 2); slot != c.slot {
		c.slot = slot
		c.draw(c.order[min(slot, s.Cylinders-1)])
	}
	drive := float64(c.torque*c.rough) + c.starterNM
	c.wind(dt)
	if c.spec.Automatic() {
		c.rollAutomatic(dt, drive, c.drag(n))
		return
	}
	c.roll(dt, drive, c.drag(n))
}

// fill moves the manifold pressure: linearly implicit, because a throttle wide
// open at low speed is a very stiff spring.
func (c *Car) fill(dt, n float64) {
	s := &c.spec.Engine
	p0 := c.baroKPa() - c.dropKPa
	pr := c.manifold / p0
	psi, slope := c.psiAt(pr)
	metered := float64(c.flowK * psi) // kg/s
	in := metered + float64(c.leakK*psi) + float64(c.purgeGPS*1e-3)
	dIn := float64((c.flowK+c.leakK)*slope) / p0                                     // per kPa
	k := float64(s.Volumetric.At(n)*s.DisplacementL*n) / float64(120*gasR*c.chargeK) // kg/s per kPa
	// Volumetric efficiency by residual gas, [ICEF ch. 6], is linear in pressure.
	r := s.Compression
	dEta := r/(r-1) - (gammaBurnt-1)/(gammaBurnt*(r-1))
	behind := c.baroKPa() + c.backKPa
	out := float64(k * max(float64(dEta*c.manifold)-behind/(gammaBurnt*(r-1)), 0))
	vol := float64(gasR*c.chargeK) / s.ManifoldL // kPa per kg, since 1 l is 1e-3 m3 and 1 kPa 1e3 Pa
	f := float64(vol * (in - out))
	df := float64(vol * (dIn - float64(k*dEta)))
	c.manifold = min(max(c.manifold+float64(dt*f)/(1-float64(dt*df)), 5), p0)
	c.airIn, c.airCyl = metered*1000, out*1000
	c.airMg = 0
	if n > 20 {
		c.airMg = c.airCyl * 1000 / (n / 120 * float64(s.Cylinders))
	}
}

// burn is the torque of the present charge, [ICEF]: heat of the fuel that its
// air can burn, times an efficiency, over two turns of the crank.
func (c *Car) burn(n float64) float64 {
	s := &c.spec.Engine
	if c.sparkF == 0 {
		return 0
	}
	eta := float64(s.Indicated.At(c.manifold) * s.LowSpeed.At(n) * c.sparkF * c.mix)
	heat := float64(c.airMg*float64(s.Cylinders)) / s.StoichRatio * s.FuelMJPerKg // J a cycle
	return float64(heat*eta) / (4 * math.Pi)
}

// drag is what the engine itself takes, in N m: friction by the quadratic
// correlation of mean effective pressure and its rise in the cold, pumping,
// losses of compression at low speed, [ICEF ch. 13], and the alternator.
func (c *Car) drag(n float64) float64 {
	s := &c.spec.Engine
	k := n / 1000
	bar := s.FrictionBar[0] + float64(k*(s.FrictionBar[1]+float64(k*s.FrictionBar[2])))
	cold := max(1+float64(s.ColdFriction*(90-c.oilC))/90, 0.5)
	perKPa := s.DisplacementL / (4 * math.Pi) // N m per kPa of mean effective pressure
	nm := float64(bar*100*perKPa*cold) + s.CompressionNM.At(n)
	if n > 1 {
		nm += float64(max(c.baroKPa()+c.backKPa-c.manifold, 0) * perKPa)
	}
	if n > 300 {
		nm += c.alternatorW / c.omega
	}
	return nm
}

// draw gives the next firing its chance: lean charges vary more.
func (c *Car) draw(k int) {
	s := &c.spec.Engine
	lean := max(float64(0.5*(c.lambda[0]+c.lambda[1]))-1.05, 0)
	spread := s.RoughnessPct/100 + float64(min(lean, 1)*0.4)
	c.rough = float64(max(1+float64(spread*uneven(c.chance)), 0) * c.power[k])
	if plug := &c.cyl[k][partPlug]; !plug.Sound() && float64(c.chance.Float64()*100) >= plug.value {
		c.rough = 0
	}
	if c.mix > 0 {
		miss := 0.0
		if c.rough < 0.3 {
			miss = 100
		}
		c.missed += float64((miss - c.missed) * 0.01)
	}
}

// crankRate is what the wheel's teeth show: the speed, with the wheel's run-out
// once a turn.
func (c *Car) crankRate() float64 {
	n := c.crankRPM()
	own, damage := c.spec.Engine.WheelErrorPct, c.is(partCrankWheel)
	if n <= 0 {
		return n
	}
	f := 1 + float64(own/100*exact.Sin(c.cycle))
	if damage > 0 {
		f += float64(damage / 100 * exact.Sin(float64(3*c.cycle))) // teeth bent in several places
	}
	return float64(n * f)
}

// exhaust follows the gas to the sensors and through the catalyst.
func (c *Car) exhaust() {
	s := &c.spec.Engine
	n := c.rpm()
	fuel := 0.0
	for b := range c.fuelMg {
		burnt := 10.0 // what has no spark leaves its oxygen
		if c.lit[b] > 0 {
			burnt = min(c.lambda[b]/c.lit[b], 10)
		}
		fuel += float64(c.fuelMg[b] * n / 120 * float64(s.Cylinders) / 2 * 1e-3)
		if n > 20 {
			way := 0.04 + 90/n // s
			c.exhaustLag[b] += float64((burnt - c.exhaustLag[b]) * min(h/way, 1))
		} else {
			c.exhaustLag[b] += float64((3 - c.exhaustLag[b]) * 0.002) // air comes in
		}
		seen := c.exhaustLag[b]
		if leak := c.share100(partExhaustLeak1 + b); leak > 0 && n > 20 {
			seen += float64(leak*6) / max(c.airCyl, 3) // the gas pulses draw it in; little at high flow
		}
		c.sensorLag[b] += float64((seen - c.sensorLag[b]) * 0.1)
		// Oxygen storage takes and gives what the mixture's swings bring: the more
		// gas, the sooner it is full or empty.
		store := float64(s.CatalystStorageS*c.share100(partCatalyst1+b)) * min(1, 15/max(c.airCyl, 1))
		c.afterCat[b] += float64((min(c.exhaustLag[b], 2) - c.afterCat[b]) * min(h/max(store, h), 1))
	}
	c.fuelGPS = fuel
	c.fuelPct = max(c.fuelPct-float64(fuel*h)/float64(10*s.FuelKgPerL*s.TankL), 0)
	c.airSense += float64((max(c.airIn, 0) - c.airSense) * 0.25)
	switch {
	case n > 350 && c.torque > 5:
		c.running = true
	case n < 200 || c.sparkF == 0:
		c.running = false
	}
	t := c.Truth
	t.Set(c.at.CrankRate, c.crankRate())
	t.Set(c.at.CrankTurn, c.cycle-math.Floor(c.cycle))
	cam := float64(c.cycle/2) + c.is(partCamTiming)/720
	t.Set(c.at.CamRate, n)
	t.Set(c.at.CamTurn, cam-math.Floor(cam))
	t.Set(c.at.Knock, 0)
	if n > 20 {
		t.Set(c.at.Knock, 0.4+n/4000)
	}
	var heat [4]float64
	for i := range heat {
		heat[i] = min(max((c.sensorC[i]-200)/120, 0), 1) // activity: from 200 to 320 degC
	}
	t.Set(c.at.O2B1S1, lambdaVolts(c.sensorLag[0], heat[0]))
	t.Set(c.at.O2B1S2, lambdaVolts(c.afterCat[0]-0.004, heat[1]))
	t.Set(c.at.O2B2S1, lambdaVolts(c.sensorLag[1], heat[2]))
	t.Set(c.at.O2B2S2, lambdaVolts(c.afterCat[1]-0.004, heat[3]))
}

// nernst is the voltage of a hot switching sensor over lambda, [AH].
var nernst = exact.Curve{{0.8, 0.90}, {0.95, 0.85}, {0.985, 0.80}, {0.995, 0.72}, {1, 0.45}, {1.005, 0.18}, {1.02, 0.10}, {1.2, 0.05}}

// lambdaVolts is a sensor's voltage: 0.45 V, the ECU's bias, while it is cold.
func lambdaVolts(lambda, activity float64) float64 {
	return 0.45 + float64((nernst.At(lambda)-0.45)*activity)
}

func (e *engine) publish(t *signal.Table, at *truthRefs) {
	t.Set(at.EngineRPM, e.rpm())
	t.Set(at.Manifold, e.manifold)
	t.Set(at.AirMass, e.airSense)
	t.Set(at.CylinderAir, e.airCyl)
	t.Set(at.Fuel, e.fuelGPS)
	t.Set(at.Lambda1, e.exhaustLag[0])
	t.Set(at.Lambda2, e.exhaustLag[1])
	t.Set(at.Throttle, e.throttle)
	t.Set(at.Torque, e.torque)
	t.Set(at.ClutchTorque, e.clutchNM)
	t.Set(at.Rail, e.railKPa)
	t.Set(at.ExhaustBack, e.backKPa)
	t.Set(at.Misfires, e.missed)
}
