package car

// layOut works out banks and firing order.
func (e *engine) layOut(s *EngineSpec) {
	e.banks = s.Banks
	if e.banks == 0 {
		e.banks = 2
	}
	for k := range s.Cylinders {
		e.power[k] = 1
		e.order[k] = k
		e.bankOf[k] = k % e.banks
	}
	for i, n := range s.FiringOrder {
		e.order[i] = n - 1
	}
}

// dosed is what dose depends on, as it was when it was worked out last.
type dosed struct {
	known   bool
	changes uint64
	on      [2 * maxCylinders]bool
	// alike is that every cylinder has its spark, its compression and its bank's share
	// of fuel.
	alike bool
}

// dose works out which injectors give their fuel, and which charges get a spark,
// by bank.
func (c *Car) dose() {
	on := (*[2 * maxCylinders]bool)(c.on[loadInjector:])
	if d := &c.dosed; d.known && d.changes == c.changes && d.on == *on {
		return
	}
	c.doseAnew()
	c.dosed = dosed{known: true, changes: c.changes, on: *on, alike: true}
	for k := range c.spec.Engine.Cylinders {
		b, p := c.bankOf[k], &c.cyl[k]
		given := 0.0
		if c.on[loadInjector+k] {
			given = p[partInjectorFlow].value / 100
		}
		if given != c.share[b] || c.drip[b] > 0 || !p[partCompression].Sound() || !c.on[loadCoil+k] {
			c.dosed.alike = false
		}
	}
}

func (c *Car) doseAnew() {
	var of, lit, count, drip [2]float64
	for k := range c.spec.Engine.Cylinders {
		b := c.bankOf[k]
		count[b]++
		if c.on[loadInjector+k] {
			of[b] += c.cyl[k][partInjectorFlow].value / 100
		}
		if c.on[loadCoil+k] {
			lit[b] += c.cyl[k][partPlug].value / 100
		}
		drip[b] += c.cyl[k][partInjectorLeak].value
	}
	for b := range c.banks {
		c.share[b], c.lit[b], c.drip[b] = of[b]/count[b], lit[b]/count[b], drip[b]/count[b]
	}
	if c.banks == 1 {
		c.share[1], c.lit[1], c.drip[1] = c.share[0], c.lit[0], c.drip[0]
	}
}

// leakMg is what dripping injectors add to a charge of a bank, on average.
func (c *Car) leakMg(b int) float64 {
	return float64(c.drip[b] * min(c.railKPa/c.spec.Engine.RailKPa, 1))
}

// mixture works out what every cylinder's charge is worth: the mean over all
// goes into the engine's torque, with its delay, and each one's share of it into
// its own firing.
func (c *Car) mixture() {
	s := &c.spec.Engine
	var bank [2]float64
	for b := range bank {
		bank[b] = s.Mixture.At(c.lambda[b])
	}
	sum := 0.0
	for k := range s.Cylinders {
		b, p := c.bankOf[k], &c.cyl[k]
		w := bank[b]
		if c.dosed.alike {
			c.power[k] = w
			sum += w
			continue
		}
		given := 0.0
		if c.on[loadInjector+k] {
			given = p[partInjectorFlow].value / 100
		}
		if given != c.share[b] || c.drip[b] > 0 {
			w = s.Mixture.At(c.lambdaOf(k, given))
		}
		if !p[partCompression].Sound() {
			w *= max(float64(p[partCompression].value/62.5)-0.6, 0) // what leaks past is lost twice
		}
		if c.sparkF > 0 && !c.on[loadCoil+k] {
			w = 0
		}
		c.power[k] = w
		sum += w
	}
	c.mix = sum / float64(s.Cylinders)
	for k := range s.Cylinders {
		if c.mix > 0 {
			c.power[k] /= c.mix
		}
	}
}

// lambdaOf is the air-fuel ratio of one cylinder whose injector gives its share.
func (c *Car) lambdaOf(k int, given float64) float64 {
	b := c.bankOf[k]
	leak := c.leakMg(b)
	fuel := float64(c.cyl[k][partInjectorLeak].value * min(c.railKPa/c.spec.Engine.RailKPa, 1))
	if c.share[b] > 0 {
		fuel += float64((c.fuelMg[b] - leak) * given / c.share[b])
	}
	if fuel < 0.05 {
		return 10
	}
	return min(max(c.airMg/float64(c.stoich*fuel), 0.1), 10)
}

// pressRail moves the fuel rail's pressure over the manifold's: the regulator's,
// unless the pump, weaker at a low voltage and at high flow, or the filter in its
// way lets less arrive.
func (c *Car) pressRail() {
	s := &c.spec.Engine
	left := c.fuelPct
	if t := c.is(partTank); t != free {
		left = t
	}
	if !c.on[loadPump] || left <= 0 {
		loss := 0.00002 // a check valve holds it
		if left <= 0 {
			loss = 0.01
		}
		c.railKPa -= float64(c.railKPa * loss)
		return
	}
	open := 1 - c.share100(partFuelFilter)
	can := float64(s.PumpKPa * c.share100(partPump) * min(c.batteryV/13.5, 1.1) * (1 - min(c.fuelGPS/s.PumpGPS, 1)))
	can -= float64(s.FuelLineDrop*c.fuelGPS*c.fuelGPS) / float64(open*open)
	goal := max(min(s.RailKPa+c.is(partFuelRegulator), can), 0)
	c.railKPa += float64((goal - c.railKPa) * 0.03)
}
