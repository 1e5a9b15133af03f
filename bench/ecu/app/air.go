package app

// airState is what the program believes of the engine's air.
type airState struct {
	meterGPS float64 // as measured
	flowGPS  float64 // measured, or the substitute
	strokeMg float64 // into one cylinder
	loadPct  float64
	absPct   float64
}

// measureAir works out the air of a stroke: the measured flow, followed through
// the manifold's filling. With a dead sensor the coarse throttle-speed map must
// do.
func (e *Engine) measureAir() {
	a, in, cal := &e.air, &e.in, e.cal
	root := max(float64(in.airV*in.airV)-cal.Air.A, 0) / cal.Air.B
	a.meterGPS = float64(root * root)
	a.flowGPS = a.meterGPS
	// A voltage out of range is not believed for a moment; the fault takes longer.
	dead := e.fault.airMass.bad || e.watch.air.bad || in.airV < meterLowV || in.airV > meterHighV
	if dead {
		a.flowGPS = cal.coarse(in.throttlePct, in.rpm)
	}
	if e.start.running && e.start.edgeAgoS > 0 {
		return // a gap in the crank signal: as before
	}
	if in.rpm < cal.Crank.StallRPM || !e.start.running {
		// The meter sees little of a cranking engine: the manifold feeds it.
		a.strokeMg = cal.Fuel.CrankAirMg
		a.loadPct, a.absPct = 0, 0
		return
	}
	perS := in.rpm / 120 * float64(cal.Cylinders)
	mg := a.flowGPS * 1000 / perS
	lag := cal.Air.ManifoldS * 600 / in.rpm
	if dead {
		lag = 0.02 // the map is one of the state, not of the flow before it
	}
	a.strokeMg += float64((mg - a.strokeMg) * min(dt/lag, 1))
	// Load as SAE J1979 defines it: absolute against a cylinder full of air at
	// 25 degC and 101.325 kPa, calculated against the flow at full throttle.
	full := 1.184e6 * cal.DisplacementL / 1000 / float64(cal.Cylinders)
	a.absPct = a.strokeMg / full * 100
	a.loadPct = min(a.absPct/0.8*101.325/max(in.baroKPa, 50), 100)
}
