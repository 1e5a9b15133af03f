package app

import "math"

// misfireState finds cylinders that do not burn by the crank's speed: a firing
// that fails leaves the engine to its drag for a quarter of a turn.
type misfireState struct {
	slot    int     // firing under way, -1 for none
	place   float64 // of the crank in the cycle at the last step, in firings
	lastRPM float64
	gain    float64 // rev/min that the firing under way has brought
	took    float64 // s of it
	short   float64 // what the firing before lacked, of a whole one
	before  int     // its cylinder
	mean    float64 // acceleration of the firings, rev/min per s
	calmS   float64 // since nothing else has disturbed the speed
	gear    float64
	pedal   float64 // smoothed
	turns   float64 // of the window
	count   [16]float64
	fired   [16]float64
	drive   [16]float64 // of the whole drive
	dead    [16]bool    // of the last window
	bank    [2]bool     // a cylinder of the bank is known not to burn
	off     uint16      // injectors kept shut, because their coil is dead
	judge   misfireJudge
}

const (
	misfireTurns = 60     // window for the program's own use, in turns of the crank
	missingShare = 0.55   // of a firing that counts as missing
	misfireShare = 0.2    // of a cylinder's firings that are too many in it
	firingS      = 5.3e-3 // a firing has to last longer than a step
	roadCalmS    = 1
	idleCalmS    = 2
	pedalCalmPct = 3
)

// countMisfires watches each firing from its beginning to its end. It needs the
// crank wheel's run-out, without which that looks like misfire, and steady
// conditions, as on the way from one speed to another every firing differs from the
// mean: an idle without a gear, or a gear with the clutch closed and a still pedal.
func (e *Engine) countMisfires() {
	m, in := &e.misfire, &e.in
	n := e.cal.Cylinders
	if !e.start.running {
		m.judge.stop()
	}
	m.calmS += dt
	still := e.idleCalm
	if in.gear != 0 {
		still = e.roadCalm
	}
	calm := still()
	if !e.start.running || !calm || !e.learned.variationLearned || in.rpm*float64(n)/120*firingS > 1 || in.camHz == 0 ||
		e.fault.airMass.bad || in.roughPct > 3.4 {
		m.slot, m.short, m.mean, m.turns = -1, 0, 0, 0
		m.count, m.fired = [16]float64{}, [16]float64{}
		m.knownDead(e)
		return
	}
	turns := float64(in.rpm / 60 * dt)
	m.turns += turns
	m.judge.turns += turns
	m.follow(e, n)
	if m.turns >= misfireTurns {
		m.endWindow(n)
	}
	m.judge.step(e)
	m.knownDead(e)
}

func (e *Engine) idleCalm() bool {
	m := &e.misfire
	if m.gear != 0 || !e.idle.active || e.fuel.cut != cutNone || e.runS < 2 || e.watch.crankJumps.level > 0.1 {
		m.calmS = 0
	}
	m.gear = 0
	return m.calmS >= idleCalmS
}

// roadCalm reports whether the engine pulls the car steadily. The springs of clutch
// and shafts leave the crank to the single firings even in gear.
func (e *Engine) roadCalm() bool {
	m, in := &e.misfire, &e.in
	gear := float64(in.gear)
	if e.cal.Selector != nil {
		gear, _ = e.ears.value(e.hear.gear, 0)
	}
	moved := in.pedalPct - m.pedal
	m.pedal += float64(moved * 0.02)
	if gear != m.gear || in.clutchPct > 3 || e.idle.active || e.fuel.cut != cutNone || e.runS < 2 ||
		e.watch.crankJumps.level > 0.1 || moved > pedalCalmPct || moved < -pedalCalmPct {
		m.calmS = 0
	}
	m.gear = gear
	return m.calmS >= roadCalmS
}

// follow gives what the last step brought to the firing under way, and where a
// firing ended in it, to both by their times.
func (m *misfireState) follow(e *Engine, n int) {
	place := float64(e.cycle() * float64(n) / 2)
	slot := min(int(place), n-1)
	brought := e.in.rpm - m.lastRPM
	ended := float64((m.slot + 1) % n)
	switch {
	case m.slot < 0 || slot != m.slot && slot != int(ended):
		m.slot, m.gain, m.took = slot, 0, 0
	case slot == m.slot:
		m.gain, m.took = m.gain+brought, m.took+dt
	default:
		old := float64(m.slot+1) - m.place
		part := old / max(old+place-ended, 0.01)
		m.gain, m.took = m.gain+float64(brought*part), m.took+float64(part*dt)
		m.endFiring(e, n)
		m.slot, m.gain, m.took = slot, float64(brought*(1-part)), float64((1-part)*dt)
	}
	m.place, m.lastRPM = place, e.in.rpm
}

// cycle is the crank's place in the two turns of a cycle: the cam tells which
// of them it is.
func (e *Engine) cycle() float64 {
	in := &e.in
	d := in.camTurn - float64(in.turn/2)
	d -= math.Floor(d)
	if d > 0.25 && d < 0.75 {
		return in.turn + 1
	}
	return in.turn
}

// endFiring judges the firing that is over by the acceleration it gave.
func (m *misfireState) endFiring(e *Engine, n int) {
	if m.took < 0.5*firingS {
		return // its beginning was not seen
	}
	accel := m.gain / m.took
	// What a whole firing gives, of the air it had: 44 MJ/kg at an efficiency
	// of 0.3 into the engine's inertia.
	whole := float64(e.air.strokeMg*float64(n)) / 14.7 * 44 * 0.3 / (4 * math.Pi) / e.cal.InertiaKgM2 * (30 / math.Pi)
	k := m.slot
	if len(e.cal.FiringOrder) == n {
		k = e.cal.FiringOrder[m.slot] - 1
	}
	m.fired[k]++
	short := (m.mean - accel) / max(whole, 1)
	missed := -1
	if short+max(m.short, 0) > missingShare {
		// One that fails between two readings of the speed shows in both firings.
		if missed = k; m.short > short {
			missed = m.before
		}
		m.count[missed]++
		m.drive[missed]++
		short = 0
	}
	m.short, m.before = short, k
	m.judge.see(e, missed)
	m.mean += float64((accel - m.mean) * 0.05)
}

// endWindow finds for the program's own use, and soon, which cylinders do not burn.
func (m *misfireState) endWindow(n int) {
	for k := range n {
		m.dead[k] = m.count[k] > float64(misfireShare*m.fired[k])
	}
	m.turns = 0
	m.count, m.fired = [16]float64{}, [16]float64{}
}

// knownDead gathers which banks have a cylinder that does not burn, and shuts
// the injectors of dead coils, whose fuel would burn in the catalyst.
func (m *misfireState) knownDead(e *Engine) {
	m.bank, m.off = [2]bool{}, 0
	if !e.drivers.anyBad && m.dead == ([16]bool{}) {
		return
	}
	for k := range e.cal.Cylinders {
		b := k % e.cal.Banks
		if m.dead[k] || e.drivers.injector[k].failed() {
			m.bank[b] = true
		}
		if e.drivers.coil[k].failed() {
			m.bank[b] = true
			m.off |= 1 << k
		}
	}
}

func (d *driver) failed() bool { return d != nil && d.bad.bad }
