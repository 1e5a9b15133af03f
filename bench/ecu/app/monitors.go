package app

import (
	"time"

	"sawhorse/bench/car"
)

// Codes of the engine ECU's monitors, in the order of engineMonitors. A code
// that the memory does not know is not tested.
const (
	mClutchNotLearned = iota
	mVariationNotLearned
	mCrankSignal
	mCamSignal
	mAirMassLow
	mAirMassHigh
	mIntakeLow
	mIntakeHigh
	mCoolantLow
	mCoolantHigh
	mClutchLow
	mClutchHigh
	mThrottle1Low
	mThrottle1High
	mThrottle2Low
	mThrottle2High
	mThrottleTracks
	mPedal1Low
	mPedal1High
	mPedal2Low
	mPedal2High
	mPedalTracks
	mManifoldLow
	mManifoldHigh
	mOilLow
	mOilHigh
	mAmbientLow
	mAmbientHigh
	mVoltageLow
	mVoltageHigh
	mLean1
	mRich1
	mLean2
	mRich2
	mOverheated
	mKeyNotProgrammed
	mKeyWrong
	mThrottleNotLearned
	mVIN
	mAirMass
	mIntake
	mIntakeJumps
	mManifold
	mCoolant
	mCoolantJumps
	mThermostat
	mCrankWheel
	mCrankJumps
	mCamTiming
	mRailLow
	mRailHigh
	mRailSensorLow
	mRailSensorHigh
	mPumpFeedLow
	mPumpFeedHigh
	mMisfire
	mMisfire1
	mMisfireLast = mMisfire1 + 7
	mFrontLow1   = iota + 6
	mFrontLow2
	mFrontHigh1
	mFrontHigh2
	mFrontIdle1
	mFrontIdle2
	mFrontSlow1
	mFrontSlow2
	mRearLow1
	mRearLow2
	mRearHigh1
	mRearHigh2
	mRearIdle1
	mRearIdle2
	mCatalyst1
	mCatalyst2
	mPurgeFlow
	mSmallLeak
	mVent
	mLargeLeak
	mPurgeOpen
	mTankLow
	mTankHigh
	mLevelLow
	mLevelHigh
	mIdleSlow
	mIdleFast
	mStartRequest
	mCharging
	mSupplyALow
	mSupplyAHigh
	mSupplyBLow
	mSupplyBHigh
	mSupplyAOpen
	mSupplyBOpen
	mFan
	mRoadSpeed
	mClutchRange
	mClutchSlip
	mGear
	mKnockLow
	mKnockHigh
	mPlateOpen
	mPlateClosed
	mParkNeutral
	mGearboxLamp
	monitorCount
)

var engineMonitors = [monitorCount]string{
	"P080A", "P0315", "P0335", "P0340", "P0102", "P0103", "P0112", "P0113", "P0117", "P0118", "P0807", "P0808",
	"P0122", "P0123", "P0222", "P0223", "P2135", "P2122", "P2123", "P2127", "P2128", "P2138", "P0107", "P0108",
	"P0197", "P0198", "P0072", "P0073", "P0562", "P0563", "P0171", "P0172", "P0174", "P0175", "P0217", "P0633", "P0513",
	"P2176", "P0630", "P0101", "P0111", "P0114", "P0106", "P0116", "P0119", "P0128", "P0336", "P0339", "P0016",
	"P0087", "P0088", "P0192", "P0193", "P0231", "P0232",
	"P0300", "P0301", "P0302", "P0303", "P0304", "P0305", "P0306", "P0307", "P0308",
	"P0131", "P0151", "P0132", "P0152", "P0134", "P0154", "P0133", "P0153",
	"P0137", "P0157", "P0138", "P0158", "P0140", "P0160", "P0420", "P0430",
	"P0441", "P0442", "P0446", "P0455", "P0496", "P0452", "P0453", "P0462", "P0463", "P0506", "P0507", "P0512", "P0620",
	"P0642", "P0643", "P0652", "P0653", "P0641", "P0651", "P0483", "P0500",
	"P0806", "P0811", "P0820", "P0327", "P0328", "P2111", "P2112", "P0850", "P0700",
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
	m.test(mClutchNotLearned, now, !e.learned.clutch)
	m.test(mThrottleNotLearned, now, !e.learned.throttleLearned)
	if t, ok := e.nv.(interface{ Text(string) (string, bool) }); ok {
		_, has := t.Text("vin")
		m.test(mVIN, now, !has)
	}
	m.test(mVariationNotLearned, now, !e.learned.variationLearned)

	both := func(low, high int, v, lo, hi float64) bool {
		m.test(low, now, v < lo)
		m.test(high, now, v > hi)
		return v < lo || v > hi
	}
	f := &e.fault
	f.airMass.see(both(mAirMassLow, mAirMassHigh, in.airV, meterLowV, meterHighV))
	f.intake.see(both(mIntakeLow, mIntakeHigh, in.intakeV, ntcLowV, ntcHighV))
	f.coolant.see(both(mCoolantLow, mCoolantHigh, in.coolantV, ntcLowV, ntcHighV))
	if e.pin.clutch != nil {
		f.clutch.see(both(mClutchLow, mClutchHigh, in.clutchV, ratioLowV, ratioHighV))
	}
	f.manifold.see(both(mManifoldLow, mManifoldHigh, in.mapV, ratioLowV, ratioHighV))
	f.throttle1.see(both(mThrottle1Low, mThrottle1High, in.throttleV, ratioLowV, ratioHighV))
	f.throttle2.see(both(mThrottle2Low, mThrottle2High, in.throttle2V, ratioLowV, ratioHighV))
	f.pedal1.see(both(mPedal1Low, mPedal1High, in.pedal1V, ratioLowV, ratioHighV))
	f.pedal2.see(both(mPedal2Low, mPedal2High, in.pedal2V, ratioLowV, ratioHighV))
	// A sensor that the car has not is one that nobody believes.
	f.oil.see(e.pin.oil == nil || both(mOilLow, mOilHigh, in.oilV, 0.05, ntcHighV))
	f.ambient.see(e.pin.ambient == nil || both(mAmbientLow, mAmbientHigh, in.ambientV, ntcLowV, ntcHighV))
	f.level.see(both(mLevelLow, mLevelHigh, in.fuelLevelV, ratioLowV, ratioHighV))
	if e.pin.rail != nil {
		f.rail.see(both(mRailSensorLow, mRailSensorHigh, in.railV, ratioLowV, ratioHighV))
	}
	if e.pin.tank != nil {
		f.tank.see(both(mTankLow, mTankHigh, in.tankV, ratioLowV, ratioHighV))
	}
	if s := &e.start; e.pin.knock != nil && s.running && e.runS > 2 {
		both(mKnockLow, mKnockHigh, in.knockV, 0.2, 4.5)
	}
	for i, r := range e.refs {
		if r != nil {
			bad := both(mSupplyALow+2*i, mSupplyAHigh+2*i, r.SourceVolts(), 4.6, 5.4)
			m.test(mSupplyAOpen+i, now, !bad && e.starved(r))
		}
	}
	if e.pin.gear != nil {
		gear := in.gearV < ratioLowV || in.gearV > ratioHighV
		f.gear.see(gear)
		m.test(mGear, now, gear)
	}
	e.monitorSelector(now)
	e.monitorFan(now)
	e.monitorTracks(now)
	e.monitorEngine(now)
	e.drivers.monitor(now, in.batteryV)
	e.monitorPlausible(now)
	e.monitorLambda(now)
	e.ears.judge(now, e.Readings, e.upS, in.batteryV)
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
		e.mon.test(mThrottleTracks, now, apart)
	}
	if !f.pedal1.bad && !f.pedal2.bad {
		e.mon.test(mPedalTracks, now, off(float64(in.pedal1V/2), in.pedal2V, 0.25))
	}
}

func (e *Engine) monitorEngine(now time.Duration) {
	in, m, s := &e.in, &e.mon, &e.start
	switch {
	case s.camEdges >= e.cal.Crank.CamEdges:
		m.test(mCrankSignal, now, true)
	case s.synced && in.camHz > 0:
		m.test(mCrankSignal, now, false)
		m.test(mCamSignal, now, false)
	case s.camTurns > 6:
		m.test(mCamSignal, now, true)
	}
	if s.running && e.runS > 2 {
		m.test(mVoltageLow, now, in.batteryV < supplyLowV)
		m.test(mVoltageHigh, now, in.batteryV > supplyHighV)
		m.test(mOverheated, now, !e.fault.coolant.bad && in.coolantC > 118)
	}
	if !e.fault.airMass.bad && !e.watch.air.bad && e.runS > 30 {
		for b, k := range e.bank[:e.cal.Banks] {
			if k.status != fuelClosed || e.evap.stage > evapWait && e.evap.stage < evapDone {
				continue
			}
			total := k.short + k.long
			m.test(mLean1+2*b, now, total > 25)
			m.test(mRich1+2*b, now, total < -25)
		}
	}
	if _, heard := e.ears.value(e.hear.key, 0); heard && e.upS > 1 {
		m.test(mKeyNotProgrammed, now, !e.learned.keyKnown)
		m.test(mKeyWrong, now, e.learned.keyKnown && !e.learned.keyGood)
	}
}
