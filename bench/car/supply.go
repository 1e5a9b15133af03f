package car

import "sawhorse/bench/signal"

// supply is battery, alternator and starter.
type supply struct {
	batteryV    float64
	batteryA    float64 // positive charges
	chargePct   float64
	starterA    float64
	starterNM   float64
	alternatorA float64
	alternatorW float64 // taken from the crankshaft
	relayIn     bool
	flat        bool // the battery holds less than it should
}

// feed solves the supply for this step: who draws what, what the battery shows.
//
// The starter is a permanent-magnet motor behind its gear, [AH]: torque k I at
// the crankshaft and counter-voltage (k/eta) omega; an overrunning clutch lets
// go when the engine is faster.
func (c *Car) feed() {
	s, keyOn := &c.spec.Supply, c.Driver.Key >= KeyOn
	if most := c.is(partBatteryCharge); most != free {
		c.chargePct, c.flat = min(c.chargePct, most), true
	} else if c.flat {
		c.chargePct, c.flat = c.spec.Conditions.ChargePct, false // another battery
	}
	emf := s.RestV.At(c.chargePct)
	inner := s.BatteryOhm + c.is(partBatteryOhm)/1000

	load := s.RestA + c.is(partDrain)
	if keyOn {
		load += s.KeyOnA
	}
	if c.running {
		load += s.RunningA
	}
	if c.on[loadPump] {
		load += s.PumpA
	}
	if c.fanTurns() {
		load += s.FanA
	}

	// A relay pulls in at one voltage and lets go well below it.
	pull := s.RelayPullInV
	if c.relayIn {
		pull *= 0.6
	}
	c.relayIn = c.on[loadStarter] && c.batteryV > pull
	c.starterA, c.starterNM = 0, 0
	if c.relayIn {
		counter := float64(s.StarterNMPerA / s.StarterEff * c.omega)
		way := inner + s.StarterOhm + (c.is(partStarterOhm)+c.is(partGroundOhm))/1000
		if c.is(partStarterDrive) < 0.5 {
			counter = emf - s.BrushV - float64(60*way) // it spins alone, at 60 A
		}
		if i := (emf - s.BrushV - counter) / way; i > 0 {
			c.starterA, c.starterNM = i, float64(s.StarterNMPerA*i*c.is(partStarterDrive))
		}
	}

	// The alternator holds its regulated voltage as far as its current allows.
	want := s.RegulatedV + float64(s.RegulatorVPK*(c.ambientC+10-25)) + c.is(partRegulator)
	need := load + (want-emf)/s.ChargeOhm
	most := float64(s.AlternatorA.At(c.rpm()) * c.share100(partAlternator))
	if !keyOn || !c.on[loadCharge] {
		most = 0 // no excitation
	}
	c.alternatorA += float64((min(max(need, 0), most) - c.alternatorA) * 0.05)
	net := c.alternatorA - load - c.starterA
	ohm := inner
	if net > 0 {
		ohm = s.ChargeOhm
	}
	c.batteryA, c.batteryV = net, max(emf+float64(net*ohm), 0)
	c.alternatorW = float64(c.alternatorA*c.batteryV) / s.AlternatorEff
	c.chargePct = min(max(c.chargePct+float64(net*h)/(36*s.CapacityAh), 0), 100)
}

func (s *supply) publish(t *signal.Table, at *truthRefs) {
	t.Set(at.Battery, s.batteryV)
	t.Set(at.BatteryAmps, s.batteryA)
	t.Set(at.BatteryCharge, s.chargePct)
	t.Set(at.StarterAmps, s.starterA)
	t.SetBool(at.Cranking, s.starterA > 20)
}
