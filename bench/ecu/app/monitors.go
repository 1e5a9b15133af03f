package app

import (
	"time"

	"sawhorse/bench/car"
)

// engineMonitors are the engine ECU's monitors with their codes (SAE J2012), one entry
// each; several of one kind go by bank, cylinder or reference.
type engineMonitors struct {
	ClutchNotLearned    monitor    `code:"P080A"`
	VariationNotLearned monitor    `code:"P0315"`
	CrankSignal         monitor    `code:"P0335"`
	CamSignal           monitor    `code:"P0340"`
	AirMassLow          monitor    `code:"P0102"`
	AirMassHigh         monitor    `code:"P0103"`
	IntakeLow           monitor    `code:"P0112"`
	IntakeHigh          monitor    `code:"P0113"`
	CoolantLow          monitor    `code:"P0117"`
	CoolantHigh         monitor    `code:"P0118"`
	ClutchLow           monitor    `code:"P0807"`
	ClutchHigh          monitor    `code:"P0808"`
	Throttle1Low        monitor    `code:"P0122"`
	Throttle1High       monitor    `code:"P0123"`
	Throttle2Low        monitor    `code:"P0222"`
	Throttle2High       monitor    `code:"P0223"`
	ThrottleTracks      monitor    `code:"P2135"`
	Pedal1Low           monitor    `code:"P2122"`
	Pedal1High          monitor    `code:"P2123"`
	Pedal2Low           monitor    `code:"P2127"`
	Pedal2High          monitor    `code:"P2128"`
	PedalTracks         monitor    `code:"P2138"`
	ManifoldLow         monitor    `code:"P0107"`
	ManifoldHigh        monitor    `code:"P0108"`
	OilLow              monitor    `code:"P0197"`
	OilHigh             monitor    `code:"P0198"`
	AmbientLow          monitor    `code:"P0072"`
	AmbientHigh         monitor    `code:"P0073"`
	VoltageLow          monitor    `code:"P0562"`
	VoltageHigh         monitor    `code:"P0563"`
	Lean                [2]monitor `code:"P0171 P0174"`
	Rich                [2]monitor `code:"P0172 P0175"`
	Overheated          monitor    `code:"P0217"`
	KeyNotProgrammed    monitor    `code:"P0633"`
	KeyWrong            monitor    `code:"P0513"`
	ThrottleNotLearned  monitor    `code:"P2176"`
	VIN                 monitor    `code:"P0630"`
	AirMass             monitor    `code:"P0101"`
	Intake              monitor    `code:"P0111"`
	IntakeJumps         monitor    `code:"P0114"`
	Manifold            monitor    `code:"P0106"`
	Coolant             monitor    `code:"P0116"`
	CoolantJumps        monitor    `code:"P0119"`
	Thermostat          monitor    `code:"P0128"`
	CrankWheel          monitor    `code:"P0336"`
	CrankJumps          monitor    `code:"P0339"`
	CamTiming           monitor    `code:"P0016"`
	RailLow             monitor    `code:"P0087"`
	RailHigh            monitor    `code:"P0088"`
	RailSensorLow       monitor    `code:"P0192"`
	RailSensorHigh      monitor    `code:"P0193"`
	PumpFeedLow         monitor    `code:"P0231"`
	PumpFeedHigh        monitor    `code:"P0232"`
	Misfire             monitor    `code:"P0300"`
	Cylinder            [8]monitor `code:"P0301 P0302 P0303 P0304 P0305 P0306 P0307 P0308"`
	FrontLow            [2]monitor `code:"P0131 P0151"`
	FrontHigh           [2]monitor `code:"P0132 P0152"`
	FrontIdle           [2]monitor `code:"P0134 P0154"`
	FrontSlow           [2]monitor `code:"P0133 P0153"`
	RearLow             [2]monitor `code:"P0137 P0157"`
	RearHigh            [2]monitor `code:"P0138 P0158"`
	RearIdle            [2]monitor `code:"P0140 P0160"`
	Catalyst            [2]monitor `code:"P0420 P0430"`
	PurgeFlow           monitor    `code:"P0441"`
	SmallLeak           monitor    `code:"P0442"`
	Vent                monitor    `code:"P0446"`
	LargeLeak           monitor    `code:"P0455"`
	PurgeOpen           monitor    `code:"P0496"`
	TankLow             monitor    `code:"P0452"`
	TankHigh            monitor    `code:"P0453"`
	LevelLow            monitor    `code:"P0462"`
	LevelHigh           monitor    `code:"P0463"`
	IdleSlow            monitor    `code:"P0506"`
	IdleFast            monitor    `code:"P0507"`
	StartRequest        monitor    `code:"P0512"`
	Charging            monitor    `code:"P0620"`
	SupplyLow           [2]monitor `code:"P0642 P0652"`
	SupplyHigh          [2]monitor `code:"P0643 P0653"`
	SupplyOpen          [2]monitor `code:"P0641 P0651"`
	Fan                 monitor    `code:"P0483"`
	RoadSpeed           monitor    `code:"P0500"`
	ClutchRange         monitor    `code:"P0806"`
	ClutchSlip          monitor    `code:"P0811"`
	Gear                monitor    `code:"P0820"`
	KnockLow            monitor    `code:"P0327"`
	KnockHigh           monitor    `code:"P0328"`
	PlateOpen           monitor    `code:"P2111"`
	PlateClosed         monitor    `code:"P2112"`
	ParkNeutral         monitor    `code:"P0850"`
	GearboxLamp         monitor    `code:"P0700"`
}

// Thresholds of voltages, engineering practice.
const (
	meterLowV, meterHighV   = 0.2, 4.9
	ntcLowV, ntcHighV       = 0.1, 4.9
	ratioLowV, ratioHighV   = 0.22, 4.78
	supplyLowV, supplyHighV = 10.5, 16
	// monitorsFromV keeps the monitors quiet while the starter pulls the supply
	// so low that sensors cannot be trusted.
	monitorsFromV = 7.5
	settleS       = 0.3
)

// judged is a sensor that the program itself no longer trusts: failed for 0.2 s.
type judged struct {
	bad  bool
	forS float64
}

func (j *judged) see(failed bool) {
	const step = slowEvery * dt
	switch {
	case failed == j.bad:
		j.forS = 0
	default:
		if j.forS += step; j.forS >= 0.2 {
			j.bad, j.forS = failed, 0
		}
	}
}

// faultState is which sensors have their substitutes.
type faultState struct {
	airMass, intake, coolant, clutch, manifold   judged
	throttle1, throttle2, pedal1, pedal2, tracks judged
	rail, tank, gear, level, plate               judged
	oil, ambient                                 judged
}

// throttleLost says that the plate's position is unknown, so its motor is off.
func (f *faultState) throttleLost() bool {
	return f.throttle1.bad && f.throttle2.bad || f.tracks.bad || f.plate.bad
}

// monitor runs every monitor whose conditions are met.
func (e *Engine) monitor(now time.Duration) {
	in, m := &e.in, &e.mon
	if e.upS < settleS || in.batteryV < monitorsFromV {
		return
	}
	m.ClutchNotLearned.test(now, !e.learned.clutch)
	m.ThrottleNotLearned.test(now, !e.learned.throttleLearned)
	if t, ok := e.nv.(interface{ Text(string) (string, bool) }); ok {
		_, has := t.Text("vin")
		m.VIN.test(now, !has)
	}
	m.VariationNotLearned.test(now, !e.learned.variationLearned)

	both := func(low, high *monitor, v, lo, hi float64) bool {
		low.test(now, v < lo)
		high.test(now, v > hi)
		return v < lo || v > hi
	}
	f := &e.fault
	f.airMass.see(both(&m.AirMassLow, &m.AirMassHigh, in.airV, meterLowV, meterHighV))
	f.intake.see(both(&m.IntakeLow, &m.IntakeHigh, in.intakeV, ntcLowV, ntcHighV))
	f.coolant.see(both(&m.CoolantLow, &m.CoolantHigh, in.coolantV, ntcLowV, ntcHighV))
	if e.pin.clutch != nil {
		f.clutch.see(both(&m.ClutchLow, &m.ClutchHigh, in.clutchV, ratioLowV, ratioHighV))
	}
	f.manifold.see(both(&m.ManifoldLow, &m.ManifoldHigh, in.mapV, ratioLowV, ratioHighV))
	f.throttle1.see(both(&m.Throttle1Low, &m.Throttle1High, in.throttleV, ratioLowV, ratioHighV))
	f.throttle2.see(both(&m.Throttle2Low, &m.Throttle2High, in.throttle2V, ratioLowV, ratioHighV))
	f.pedal1.see(both(&m.Pedal1Low, &m.Pedal1High, in.pedal1V, ratioLowV, ratioHighV))
	f.pedal2.see(both(&m.Pedal2Low, &m.Pedal2High, in.pedal2V, ratioLowV, ratioHighV))
	// A sensor that the car has not is one that nobody believes.
	f.oil.see(e.pin.oil == nil || both(&m.OilLow, &m.OilHigh, in.oilV, 0.05, ntcHighV))
	f.ambient.see(e.pin.ambient == nil || both(&m.AmbientLow, &m.AmbientHigh, in.ambientV, ntcLowV, ntcHighV))
	f.level.see(both(&m.LevelLow, &m.LevelHigh, in.fuelLevelV, ratioLowV, ratioHighV))
	if e.pin.rail != nil {
		f.rail.see(both(&m.RailSensorLow, &m.RailSensorHigh, in.railV, ratioLowV, ratioHighV))
	}
	if e.pin.tank != nil {
		f.tank.see(both(&m.TankLow, &m.TankHigh, in.tankV, ratioLowV, ratioHighV))
	}
	if s := &e.start; e.pin.knock != nil && s.running && e.runS > 2 {
		both(&m.KnockLow, &m.KnockHigh, in.knockV, 0.2, 4.5)
	}
	for i, r := range e.refs {
		if r != nil {
			bad := both(&m.SupplyLow[i], &m.SupplyHigh[i], r.SourceVolts(), 4.6, 5.4)
			m.SupplyOpen[i].test(now, !bad && e.starved(r))
		}
	}
	if e.pin.gear != nil {
		gear := in.gearV < ratioLowV || in.gearV > ratioHighV
		f.gear.see(gear)
		m.Gear.test(now, gear)
	}
	e.monitorSelector(now)
	e.monitorFan(now)
	e.monitorTracks(now)
	e.monitorEngine(now)
	e.drivers.monitor(now, in.batteryV)
	e.monitorPlausible(now)
	e.monitorLambda(now)
	e.listen(now, in.batteryV)
}

// starved reports whether every sensor on a 5 V reference that is good at the ECU is
// down, which no single sensor's fault explains.
func (e *Engine) starved(r *car.Rail) bool {
	fed := 0
	for _, c := range [...]*car.Circuit{e.pin.throttle1, e.pin.throttle2, e.pin.pedal1, e.pin.pedal2, e.pin.clutch,
		e.pin.manifold, e.pin.gear, e.pin.fuelLevel, e.pin.rail, e.pin.tank} {
		if c == nil || c.Supply() != r {
			continue
		}
		if c.Volts() >= ratioLowV {
			return false
		}
		fed++
	}
	return fed > 2
}

// monitorTracks compares double sensors whose single tracks are in range.
func (e *Engine) monitorTracks(now time.Duration) {
	in, f := &e.in, &e.fault
	off := func(a, b, most float64) bool { return a-b > most || b-a > most }
	if !f.throttle1.bad && !f.throttle2.bad {
		apart := off(in.throttleV, 5-in.throttle2V, 0.3)
		f.tracks.see(apart)
		e.mon.ThrottleTracks.test(now, apart)
	}
	if !f.pedal1.bad && !f.pedal2.bad {
		e.mon.PedalTracks.test(now, off(float64(in.pedal1V/2), in.pedal2V, 0.25))
	}
}

func (e *Engine) monitorEngine(now time.Duration) {
	in, m, s := &e.in, &e.mon, &e.start
	switch {
	case s.camEdges >= e.cal.Crank.CamEdges:
		m.CrankSignal.test(now, true)
	case s.synced && in.camHz > 0:
		m.CrankSignal.test(now, false)
		m.CamSignal.test(now, false)
	case s.camTurns > 6:
		m.CamSignal.test(now, true)
	}
	if s.running && e.runS > 2 {
		m.VoltageLow.test(now, in.batteryV < supplyLowV)
		m.VoltageHigh.test(now, in.batteryV > supplyHighV)
		m.Overheated.test(now, !e.fault.coolant.bad && in.coolantC > 118)
	}
	if !e.fault.airMass.bad && !e.watch.air.bad && e.runS > 30 {
		for b, k := range e.bank[:e.cal.Banks] {
			if k.status != fuelClosed || e.evap.stage > evapWait && e.evap.stage < evapDone {
				continue
			}
			total := k.short + k.long
			m.Lean[b].test(now, total > 25)
			m.Rich[b].test(now, total < -25)
		}
	}
	if _, heard := e.ears.value(e.hear.key, 0); heard && e.upS > 1 {
		m.KeyNotProgrammed.test(now, !e.learned.keyKnown)
		m.KeyWrong.test(now, e.learned.keyKnown && !e.learned.keyGood)
	}
}
