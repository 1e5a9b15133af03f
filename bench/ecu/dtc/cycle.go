package dtc

import (
	"time"

	"sawhorse/canbus/uds"
)

// Warm-up cycle: the coolant rises by at least 22 K from the start and reaches
// 70 degC (UN Regulation 83 annex 11, WLTP text).
const (
	warmUpRiseK = 22
	warmUpC     = 70
)

// cycle is the running operation cycle: from key on to key off. It is a
// driving cycle from the moment the engine runs.
type cycle struct {
	on, driven, warmed bool
	startC             float64
	last               time.Duration
	observed           bool
	usage              usage
}

// BeginCycle starts an operation cycle. Debounce starts anew; the last result
// (status bit 0) is kept over the change. A running cycle goes on.
func (m *Memory) BeginCycle() {
	if m.cycle.on {
		return
	}
	m.cycle = cycle{on: true}
	for i := range m.ratios {
		m.ratios[i].done, m.ratios[i].due = false, false
	}
	for i := range m.recs {
		r := &m.recs[i]
		r.status = r.status&^uds.TestFailedThisOperationCycle | uds.TestNotCompletedThisOperationCycle
		r.level, r.seen = 0, false
		r.like.met = false
	}
	m.forgetSamples()
	m.changes++
}

// Started makes the operation cycle a driving cycle: the engine runs.
func (m *Memory) Started() {
	if !m.cycle.on || m.cycle.driven {
		return
	}
	m.cycle.driven = true
	for i := range m.recs {
		m.confirm(i)
	}
}

// WarmUp counts a warm-up, once in a cycle.
func (m *Memory) WarmUp() {
	if !m.cycle.on || m.cycle.warmed {
		return
	}
	m.cycle.warmed = true
	m.life.warm()
}

// EndCycle ends the operation cycle and takes every code a step on in its
// life. A cycle without engine start changes nothing but the status bits of
// the cycle.
func (m *Memory) EndCycle() {
	if !m.cycle.on {
		return
	}
	m.countInUse()
	m.cycle.on, m.asked = false, false
	for i := range m.recs {
		m.age(i)
		if m.cycle.driven {
			m.judgeTrip(i)
		}
		m.judgePermanent(i)
	}
	if m.cycle.driven {
		m.weigh()
	}
	m.changes++
}

// Observe takes the state of the car at time now: it finds the start of the
// engine and the warm-up and counts distances and times. Call it in every step.
func (m *Memory) Observe(now time.Duration, v Vehicle) {
	c := &m.cycle
	if !c.on {
		return
	}
	dt := now - c.last
	c.last = now
	m.compare(&v)
	if !c.observed {
		c.observed, c.startC, dt = true, v.CoolantC, 0
	}
	if v.Running && !c.driven {
		// The rise counts from the start of the engine, not from key on.
		c.startC = v.CoolantC
		c.usage.start(&v)
		m.Started()
	}
	if c.driven && v.CoolantC >= warmUpC && v.CoolantC-c.startC >= warmUpRiseK {
		m.WarmUp()
	}
	c.usage.count(dt, &v)
	m.life.count(dt, v.Kmh, v.Running, m.MIL())
	m.countInUse()
}

// judgeTrip is the end of a driving cycle for one code: a clean one drops the
// pending state, three in a row put the lamp out and drop the permanent code.
func (m *Memory) judgeTrip(i int) {
	r := &m.recs[i]
	switch {
	case r.status&uds.TestFailedThisOperationCycle != 0:
		r.good = 0
		if r.trips < 255 {
			r.trips++
		}
	case m.dissimilar(i):
	case r.status&uds.TestNotCompletedThisOperationCycle == 0:
		r.trips = 0
		r.status &^= uds.PendingDTC
		if r.status&uds.ConfirmedDTC == 0 {
			r.like.set = false
			m.dropFrame(i)
		}
		if r.status&uds.WarningIndicatorRequested == 0 {
			return
		}
		if r.good++; r.good >= goodCyclesForLampOff {
			m.light(r, false)
			r.permanent, r.good = false, 0
		}
	}
}

// judgePermanent erases a permanent code whose confirmed copy was cleared with
// a tool, once its monitor has shown itself clean: for a monitor with in-use
// ratio a clean driving cycle is enough, any other also needs one that met the
// general conditions (13 CCR 1968.2 (d)(2.5.2)).
func (m *Memory) judgePermanent(i int) {
	r := &m.recs[i]
	if !r.permanent || r.status&uds.WarningIndicatorRequested != 0 {
		return
	}
	if r.status&uds.TestFailedThisOperationCycle != 0 {
		r.passed, r.driven = false, false
		return
	}
	if m.cycle.driven && r.status&uds.TestNotCompletedThisOperationCycle == 0 {
		r.passed = true
	}
	r.driven = r.driven || m.cycle.driven && m.cycle.usage.met()
	if r.passed && (r.driven || m.codes[i].Ratio != "") {
		r.permanent = false
	}
}

// age counts warm-ups without a failure and erases a code after forty, once
// the lamp is out for it. It runs before the lamp can go out in the same cycle.
func (m *Memory) age(i int) {
	r := &m.recs[i]
	if !m.cycle.warmed || r.status&uds.ConfirmedDTC == 0 || r.status&(uds.TestFailedThisOperationCycle|uds.WarningIndicatorRequested) != 0 {
		return
	}
	if r.aged++; r.aged < warmUpsForErasure {
		return
	}
	r.status &^= uds.ConfirmedDTC
	r.aged, r.occurrences, r.like = 0, 0, likeness{}
	r.first, r.latest = r.first[:0], r.latest[:0]
	m.dropFrame(i)
}
