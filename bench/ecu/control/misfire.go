package control

import "math"

// misfireState finds cylinders that do not burn by the crank's speed: a firing
// that fails leaves the engine to its drag for a quarter of a turn.
type misfireState struct {
	slot     int
	startRPM float64
	began    float64 // time
	t        float64
	mean     float64 // acceleration of the firings, rev/min per s
	turns    float64
	calmS    float64 // since the idle has not been disturbed
	count    [16]float64
	fired    [16]float64
	drive    [16]float64 // of the whole drive
	sharePct float64     // of all firings, in the last window
	judged   bool
	over     [16]bool // of the last window
	many     bool
	bank     [2]bool // a cylinder of the bank is known not to burn
	off      uint16  // injectors kept shut, because their coil is dead
}

const (
	misfireTurns = 60   // window, in turns of the crank
	misfireShare = 0.2  // of a cylinder's firings that are too many
	misfireTotal = 0.04 // of all firings, where no cylinder stands out
	misfireRPM   = 2800 // beyond it a step is longer than a firing
)

// countMisfires watches each firing from its beginning to its end. It needs the
// crank wheel's run-out, without which that looks like misfire, and an engine
// that idles freely: through a closed clutch the whole car smooths it, and on the
// way from one speed to another every firing differs from the mean.
func (e *Engine) countMisfires() {
	m, in := &e.misfire, &e.in
	n := e.cal.Cylinders
	m.calmS += dt
	if in.gear != 0 || !e.idle.active || e.fuel.cut != cutNone || e.runS < 2 || e.watch.crankJumps.level > 0.1 {
		m.calmS = 0
	}
	if !e.start.running || m.calmS < 2 || !e.learned.variationLearned || in.rpm > misfireRPM || in.camHz == 0 ||
		e.fault.airMass.bad || in.roughPct > 3.4 {
		m.slot, m.mean, m.turns = -1, 0, 0
		m.count, m.fired = [16]float64{}, [16]float64{}
		m.knownDead(e)
		return
	}
	m.t += dt
	m.turns += float64(in.rpm / 60 * dt)
	slot := int(e.cycle() * float64(n) / 2)
	if slot != m.slot {
		m.endFiring(e, slot, n)
	}
	if m.turns >= misfireTurns {
		m.endWindow(n)
	}
	m.knownDead(e)
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

func (m *misfireState) endFiring(e *Engine, slot, n int) {
	if took := m.t - m.began; m.slot >= 0 && took > 0 {
		accel := (e.in.rpm - m.startRPM) / took
		// What a whole firing gives, of the air it had: 44 MJ/kg at an efficiency
		// of 0.3 into the engine's inertia, half of it counts as missing.
		whole := float64(e.air.strokeMg*float64(n)) / 14.7 * 44 * 0.3 / (4 * math.Pi) / e.cal.InertiaKgM2 * (30 / math.Pi)
		k := m.slot
		if len(e.cal.FiringOrder) == n {
			k = e.cal.FiringOrder[m.slot] - 1
		}
		m.fired[k]++
		if accel-m.mean < float64(-0.45*whole) {
			m.count[k]++
			m.drive[k]++
		}
		m.mean += float64((accel - m.mean) * 0.05)
	}
	m.slot, m.startRPM, m.began = slot, e.in.rpm, m.t
}

func (m *misfireState) endWindow(n int) {
	total, fired, worst := 0.0, 0.0, 0.0
	for k := range n {
		m.over[k] = m.count[k] > float64(misfireShare*m.fired[k])
		total, fired, worst = total+m.count[k], fired+m.fired[k], max(worst, m.count[k])
	}
	m.many = total > float64(misfireTotal*fired) && worst < float64(0.4*total)
	m.sharePct = total / max(fired, 1) * 100
	m.judged, m.turns = true, 0
	m.count, m.fired = [16]float64{}, [16]float64{}
}

// knownDead gathers which banks have a cylinder that does not burn, and shuts
// the injectors of dead coils, whose fuel would burn in the catalyst.
func (m *misfireState) knownDead(e *Engine) {
	m.bank, m.off = [2]bool{}, 0
	for k := range e.cal.Cylinders {
		b := k % e.cal.Banks
		if m.over[k] || e.drivers.injector[k].failed() {
			m.bank[b] = true
		}
		if e.drivers.coil[k].failed() {
			m.bank[b] = true
			m.off |= 1 << k
		}
	}
}

func (d *driver) failed() bool { return d != nil && d.bad.bad }
