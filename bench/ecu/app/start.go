package app

// gapS is how long a crank signal may be gone without the engine being stopped.
const gapS = 0.15

// startState is the way from key to running engine.
type startState struct {
	turns    float64 // crank turns seen since the first edge
	camEdges float64 // cam edges seen without a crank edge
	camTurns float64 // crank turns seen without a cam edge
	synced   bool
	running  bool
	relay    bool
	done     bool // this turn of the key has started the engine
	allowed  bool
	edgeAgoS float64
	crankedS float64 // since the starter was last on
}

// turnState follows crank and cam: when their edges fit, the engine's position
// is known, and fuel and spark make sense.
func (e *Engine) turnState() {
	s, in := &e.start, &e.in
	if e.upS <= dt {
		s.edgeAgoS, s.crankedS = 1e3, 1e3
	}
	if in.rawHz > 0 {
		s.turns += float64(in.rawHz / 60 * dt)
		s.camEdges, s.edgeAgoS = 0, 0
	} else {
		// The cam carries the position over a gap of some teeth.
		if in.camHz == 0 || s.edgeAgoS > gapS {
			s.turns, s.synced = 0, false
		}
		s.camEdges += float64(in.camHz * dt)
		if in.camHz == 0 {
			s.camEdges = 0
		}
		s.edgeAgoS += dt
	}
	if in.camHz > 0 || in.rawHz == 0 {
		s.camTurns = 0
	} else {
		s.camTurns += float64(in.rawHz / 60 * dt)
	}
	// Without a cam signal the program tries its luck with either stroke after
	// some more turns.
	if s.turns >= e.cal.Crank.SyncTurns && (in.camHz > 0 || s.turns >= 4*e.cal.Crank.SyncTurns) {
		s.synced = true
	}
	switch {
	case s.synced && in.rpm >= e.cal.Crank.StartRPM:
		if !s.running {
			e.runS = 0
			e.idle.integral = 0
		}
		s.running = true
	case !s.synced || in.rpm < e.cal.Crank.StallRPM && s.edgeAgoS == 0:
		s.running = false
	}
	if s.running {
		e.runS += dt
	} else {
		e.runS = 0
	}
}

// runStarter decides on the starter and the pump. The clutch must be pressed,
// which the program believes only of a pedal whose end stops it has learned; the
// lever of an automatic gearbox must be at P or N. And the key must be known.
func (e *Engine) runStarter() {
	s, a := &e.start, &e.car.Actuators
	if c := e.cal.Clutch; c != nil {
		s.allowed = e.learned.clutch && !e.fault.clutch.bad && e.in.clutchPct >= c.PressedPct
	} else {
		s.allowed = e.in.parkNeutral
	}
	s.allowed = s.allowed && e.learned.keyGood
	if !e.in.keyStart {
		s.done = false
	}
	if s.running {
		s.done = true
	}
	s.relay = e.in.keyStart && s.allowed && !s.done
	s.crankedS += dt
	if s.relay {
		s.crankedS = 0
	}
	a.StarterRelay = s.relay
	a.FuelPump = e.upS <= e.cal.Fuel.PrimeS || s.edgeAgoS < e.cal.Fuel.PumpOffS
	switch {
	case e.in.coolantC >= e.cal.Fan.OnC || e.fault.coolant.bad && s.running:
		e.fanOn = true
	case e.in.coolantC < e.cal.Fan.OffC:
		e.fanOn = false
	}
	a.Fan = e.fanOn && !s.relay && s.crankedS > fanAfterStartS
}

// lightLamps lights the malfunction lamp by the memory, and for a check of the
// bulb from key on until the engine runs. While misfire endangers the catalyst it
// flashes, and stays lit for the rest of the drive (13 CCR 1968.2 (e)(3.4.1)).
func (e *Engine) lightLamps() {
	check := e.upS < e.cal.LampCheckS && !e.start.running && e.runS == 0
	lit := e.mil() || e.misfire.judge.asked
	e.car.Actuators.MIL = check || lit && !e.flashing()
}
