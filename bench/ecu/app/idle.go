package app

// idleState is idle speed control: air for the long run, spark for the moment.
type idleState struct {
	integral  float64
	target    float64
	airPct    float64
	throttle  float64 // commanded
	spark     float64
	active    bool
	roughLeft float64
	meanRPM   float64
}

// The idle is saved from stalling below saveRPM under its target, by savePct of
// throttle for each rev/min more; the air of the start fades over settleRunS.
const (
	saveRPM    = 50
	savePct    = 0.012
	settleRunS = 2
)

// holdIdle commands throttle and spark.
func (e *Engine) holdIdle() {
	s, in, cal := &e.idle, &e.in, e.cal
	a := &e.car.Actuators
	s.meanRPM += float64((in.rpm - s.meanRPM) * 0.05)
	pedal := e.pedal()
	s.target = cal.Idle.RPM.At(in.coolantC)
	if e.start.running && e.runS < 4 {
		s.target += float64(50 * (4 - e.runS)) // let the flare of the start down slowly
	}
	if !e.learned.throttleLearned {
		s.target += 150 // where the plate closes is not known: keep off it
	}
	s.active = e.start.running && pedal < cal.Pedal.IdleBelow
	base := cal.Idle.AirPct.At(in.coolantC) + e.learned.idleAir
	if c := cal.Selector; c != nil && !in.parkNeutral && e.start.running {
		s.target -= c.DriveRPM
		base += c.DriveAirPct // the converter's load, before it is felt
	}
	miss := s.target - in.rpm
	if e.start.edgeAgoS > 0 {
		miss = 0
	}
	slowMiss := s.target - s.meanRPM
	s.airPct = 0
	switch {
	case !e.start.running:
		base += cal.Idle.CrankPct
	case s.active:
		if e.runS > 1 && e.loose() && e.fuel.cut == cutNone && miss > -cal.Idle.CatchRPM {
			s.integral += float64(min(max(miss, -150), 150) * cal.Idle.I * dt)
			s.integral = min(max(s.integral, cal.Idle.Lowest), cal.Idle.Highest)
		}
		s.airPct = s.integral + float64(min(max(slowMiss, -300), 400)*cal.Idle.P)
		s.airPct = min(max(s.airPct, cal.Idle.Lowest), cal.Idle.Highest)
		// Never close on speed that is on its way down, from the flare of the start
		// or from a drive: the engine dies behind it. A little more air catches it.
		switch {
		case e.runS < 3:
			s.airPct = max(s.airPct, 0)
		case miss < -cal.Idle.CatchRPM:
			s.airPct = s.integral + cal.Idle.CatchPct
		}
	default:
		s.airPct = s.integral
	}
	// About to stall: whatever has happened, more air at once.
	if s.active && miss > saveRPM {
		s.airPct += float64(min(miss-saveRPM, 250) * savePct)
	}
	if e.start.running && e.runS < settleRunS {
		base += float64(cal.Idle.CrankPct * (1 - float64(e.runS/settleRunS)))
	}
	s.throttle = min(max(base+s.airPct+cal.Pedal.Throttle.At(pedal), 0), 100)
	a.Throttle, a.ThrottlePct = !e.fault.throttleLost(), s.throttle
	s.spark = e.angle(miss)
	a.Spark, a.SparkDeg = e.start.synced && e.learned.keyGood, s.spark
	a.LambdaHeaters = e.start.running
	a.Charge = true
}

// pedal is the driver's demand: the lower of two tracks, or what is left.
func (e *Engine) pedal() float64 {
	switch {
	case e.fault.pedal1.bad && e.fault.pedal2.bad:
		return 0
	case e.fault.pedal1.bad:
		return min(e.in.pedal2Pct, 40)
	case e.fault.pedal2.bad:
		return min(e.in.pedalPct, 40)
	}
	return min(e.in.pedalPct, e.in.pedal2Pct)
}

// angle is the ignition angle. At idle it leans against every change of speed;
// a sudden one looks like a missed firing and takes spark back for a moment.
// Where the crank wheel's run-out is not learned, it looks like such changes.
func (e *Engine) angle(miss float64) float64 {
	s, in, cal := &e.idle, &e.in, e.cal
	if !e.start.running {
		return cal.Spark.Crank
	}
	if !s.active {
		s.roughLeft = 0
		return cal.Spark.Base.At(in.rpm) - cal.Spark.Retard.At(e.air.loadPct)
	}
	lean := float64(cal.Idle.SparkP*miss) - float64(cal.Idle.SparkD*in.accel)
	lean = min(max(lean, -cal.Idle.SparkSpan), cal.Idle.SparkSpan)
	deg := cal.Idle.Spark + lean
	s.roughLeft -= dt
	if e.runS > 5 && s.roughLeft <= 0 && (in.accel > cal.Idle.RoughAt || in.accel < -cal.Idle.RoughAt) {
		s.roughLeft = cal.Idle.RoughS
	}
	if s.roughLeft > 0 {
		deg -= cal.Idle.RoughDeg
	}
	return deg
}
