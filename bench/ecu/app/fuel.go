package app

import "math"

// cut is why no fuel is injected.
type cut uint8

const (
	cutNone cut = iota
	cutLimit
	cutOverrun
	cutLocked
)

type fuelState struct {
	cut    cut
	lambda float64 // wanted
	wetS   float64 // left of the fuel for the dry wall
	mg     [2]float64
	gps    float64
}

// bankState is lambda control of one bank.
type bankState struct {
	short, long float64 // %
	rich        bool
	active      bool
	quietS      float64 // since the sensor left its bias
	status      float64 // PID 03
}

// Fuel system status, SAE J1979 PID 03.
const (
	fuelOpenCold   = 1
	fuelClosed     = 2
	fuelOpenDemand = 4
	fuelOpenFault  = 8
)

// meterFuel works out the fuel of one injection, by bank.
func (e *Engine) meterFuel() {
	f, in, cal := &e.fuel, &e.in, e.cal
	a := &e.car.Actuators
	e.decideCut()
	f.lambda = 1
	full := e.pedal() >= cal.Fuel.FullPedal
	if full {
		f.lambda = cal.Fuel.FullLambda
	}
	factor := cal.Fuel.CrankFactor.At(in.coolantC)
	if e.start.running {
		factor = cal.Fuel.WarmUp.At(in.coolantC)
		if left := 1 - e.runS/cal.Fuel.AfterStartS; left > 0 {
			factor += float64(left * cal.Fuel.AfterStart.At(in.coolantC))
		}
	}
	f.wetS -= dt
	if f.cut != cutNone {
		f.wetS = cal.Fuel.WetS
	}
	if f.wetS > 0 {
		factor *= 1 + cal.Fuel.WetPct/100
	}
	f.gps = 0
	for b := range e.cal.Banks {
		e.controlLambda(b, full)
		f.mg[b] = 0
		if e.start.synced && f.cut == cutNone {
			trim := 1 + (e.bank[b].short+e.bank[b].long)/100
			f.mg[b] = e.air.strokeMg / float64(cal.Fuel.Stoich*f.lambda) * factor * trim * e.railFactor()
		}
		f.gps += float64(f.mg[b] * in.rpm / 120 * float64(cal.Cylinders) / float64(cal.Banks) * 1e-3)
	}
	a.FuelMg = f.mg
	a.InjectorOff = e.misfire.off
}

// railFactor is how much longer the injectors open for a low rail pressure.
func (e *Engine) railFactor() float64 {
	w := e.cal.Rail.KPa
	if e.pin.rail == nil || e.fault.rail.bad || w <= 0 {
		return 1
	}
	return math.Sqrt(min(max(w/max(e.in.railKPa, 1), 0.5), 2))
}

func (e *Engine) decideCut() {
	f, in, cal := &e.fuel, &e.in, e.cal
	limit, back := cal.Fuel.LimitRPM, cal.Fuel.LimitBackRPM
	if cal.Selector != nil && in.parkNeutral {
		back = cal.Selector.LimitRPM - (limit - back)
		limit = cal.Selector.LimitRPM
	}
	if e.routineLimit > 0 {
		limit, back = e.routineLimit, 0 // until the pedal is released
		if e.pedal() < cal.Pedal.IdleBelow {
			back = e.routineLimit - 200
		}
	}
	switch {
	case !e.learned.keyGood:
		f.cut = cutLocked
		return
	case in.rpm >= limit:
		f.cut = cutLimit
		return
	case f.cut == cutLimit && in.rpm >= max(back, cal.Fuel.OverrunBackRPM):
		return
	}
	released := e.idle.active && e.runS > 3
	switch {
	case released && in.rpm >= cal.Fuel.OverrunRPM:
		f.cut = cutOverrun
	case f.cut == cutOverrun && released && in.rpm >= cal.Fuel.OverrunBackRPM:
	default:
		f.cut = cutNone
	}
}

// controlLambda moves the trims of a bank: against the sensor before the
// catalyst, with a jump at each crossing; the long trim takes over the mean.
func (e *Engine) controlLambda(b int, full bool) {
	k, cal, v := &e.bank[b], e.cal, e.in.lambdaV[2*b]
	k.quietS += dt
	if v > 0.55 || v < 0.35 {
		k.quietS = 0
		k.active = true
	}
	if k.quietS > 10 {
		k.active = false // at its bias: cold or open
	}
	switch {
	case !e.start.running || e.runS < cal.Lambda.FromS || e.in.coolantC < cal.Lambda.FromC:
		k.short, k.status = 0, fuelOpenCold
		return
	case e.fuel.cut != cutNone || full:
		k.short, k.status = 0, fuelOpenDemand
		return
	case !k.active, e.fault.airMass.bad, e.misfire.bank[b], e.watch.frontBad[b]:
		k.short, k.status = 0, fuelOpenFault
		return
	}
	k.status = fuelClosed
	// A narrow band around the jump, or the noise of the gas would make it switch
	// at every firing.
	rich := v > 0.6 || v > 0.3 && k.rich
	sign := 1.0
	if rich {
		sign = -1
	}
	if rich != k.rich {
		k.short += float64(sign * cal.Lambda.JumpPct)
	}
	k.rich = rich
	k.short += float64(sign * cal.Lambda.SlopePct * dt)
	k.short = min(max(k.short, -cal.Lambda.MostPct), cal.Lambda.MostPct)
	k.long += float64(k.short * cal.Lambda.LongShare * dt)
	k.long = min(max(k.long, -cal.Lambda.MostPct), cal.Lambda.MostPct)
}
