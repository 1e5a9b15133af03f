package dtc

import (
	"slices"
	"time"

	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
	"sawhorse/canbus/uds"
)

// maxSampleGap is the most that one sample of a monitor can move its
// debounce: after a longer pause the monitor was not running.
const maxSampleGap = 100 * time.Millisecond

// Memory holds the trouble codes of one unit and takes them through their
// life: debounce, pending, confirmed, lamp, aging, permanent. It is pure: it
// reads no clock and does no I/O. It belongs to one loop.
type Memory struct {
	codes  []spec.Code
	limits []limits
	recs   []record
	byName map[string]int
	groups []monitor
	ratios []ratioCounter
	life   lifetime
	cycle  cycle
	frame  frame
	// similar says that misfire and fuel system codes (likes) are judged in similar
	// conditions; at are those of this moment.
	similar bool
	likes   []int
	at      moment
	// unlike is one more than the changes at which no code waited for similar conditions:
	// until the next change none does.
	unlike uint64
	// gates are the enable conditions, results the tests of service 06, rows those
	// of each code; all empty until they are bound to readings.
	gates    []gate
	results  []result
	rows     [][]int
	readings *signal.Table
	// marks are the codes that failed and were confirmed first and last.
	marks marks
	// capture appends the values of a snapshot; nil takes none.
	capture func(b []byte) []byte
	// recording is off while service 85 has stopped it.
	recording bool
	available byte
	changes   uint64
	// lamps counts the codes that ask for the lamp: it is looked at in every step.
	lamps int
	// asked is whether the unit's program lights the lamp itself in this cycle.
	asked bool
}

// limits are a code's debounce times in microseconds, and the gate of its monitor;
// nil for none. A code may have tests of service 06, which measure in every sample.
type limits struct {
	fail, pass int64
	gate       *gate
	measured   bool
}

// New returns the memory of a unit: after the life in the spec's
// history, or as after a clear.
func New(u *spec.Unit) *Memory {
	m := &Memory{
		codes: u.Codes, recs: make([]record, len(u.Codes)), limits: make([]limits, len(u.Codes)),
		byName: map[string]int{}, recording: true, available: 0x7F, similar: u.Memory.Similar != nil, marks: noMarks,
	}
	m.frame.code = -1
	for i := range u.Codes {
		c := &u.Codes[i]
		m.byName[c.Code] = i
		m.limits[i] = limits{fail: time.Duration(c.Fail).Microseconds(), pass: time.Duration(c.Pass).Microseconds()}
		m.recs[i].status = statusAfterClear
		if m.recallsConditions(i) {
			m.likes = append(m.likes, i)
		}
		if c.MIL {
			m.available = 0xFF
		}
	}
	m.supervise(u.Memory.Readiness)
	m.bindRatios()
	if h := u.Memory.History; h != nil {
		for i := range m.recs {
			m.recs[i].status = 0
		}
		m.life.settle(h)
		for _, x := range h.InUse {
			r := &m.ratios[slices.Index(spec.Ratios, x.Ratio)]
			r.completed, r.conditions = x.Completed, x.Conditions
		}
	}
	return m
}

// Ref finds a code's number by its name, for Test.
func (m *Memory) Ref(code string) (int, bool) {
	i, ok := m.byName[code]
	return i, ok
}

// Changes counts the changes of the codes' states: equal counts mean an
// unchanged memory.
func (m *Memory) Changes() uint64 { return m.changes }

// Test takes one sample of one monitor: at time now the monitor found its
// fault, or not. Samples count only in an operation cycle and while recording
// is on. It allocates nothing while the state stays the same.
func (m *Memory) Test(ref int, now time.Duration, failed bool) {
	l := &m.limits[ref]
	if !m.cycle.on || !m.recording || l.gated() {
		return
	}
	r := &m.recs[ref]
	// A test that has passed and passes again is what nearly every sample is.
	if !failed && !l.measured && r.seen && r.level <= -l.pass && r.status&(uds.TestFailed|notCompleted) == 0 {
		r.last = now
		return
	}
	step := min(now.Microseconds()-r.last.Microseconds(), maxSampleGap.Microseconds())
	if !r.seen {
		step, r.seen = 0, true
	}
	r.last = now
	if failed {
		r.level = min(max(r.level, 0)+step, l.fail)
		m.measure(ref, r.level >= l.fail)
		if r.level >= l.fail {
			m.failed(ref, r)
		}
		return
	}
	switch {
	case r.level > 0 && r.level >= l.fail:
		r.level = 0 // from failed the way to passed starts in the middle
	case r.level > 0:
		r.level -= step * l.fail / max(l.pass, 1)
	default:
		r.level = max(r.level-step, -l.pass)
	}
	m.measure(ref, r.level <= -l.pass)
	if r.level <= -l.pass {
		m.passed(r)
	}
}

// failed notes that the test of a code has failed for its whole time.
func (m *Memory) failed(i int, r *record) {
	if r.status&(failedInFull|notCompleted) == failedInFull {
		return
	}
	m.changes++
	first := r.status&uds.TestFailedSinceLastClear == 0
	fresh := r.status&uds.TestFailed == 0
	newTrip := r.status&uds.TestFailedThisOperationCycle == 0
	r.status = r.status&^notCompleted | failedInFull
	if fresh || newTrip {
		m.marks.fail(i)
	}
	if newTrip {
		r.like = likeness{at: m.at, set: true, met: true}
		r.aged = 0
		if r.occurrences < 255 {
			r.occurrences++
		}
	}
	m.snapshot(r, first, fresh || newTrip)
	m.offerFrame(i)
	m.confirm(i)
}

// passed notes that the test of a code has passed for its whole time.
func (m *Memory) passed(r *record) {
	if r.status&(uds.TestFailed|notCompleted) == 0 {
		return
	}
	m.changes++
	r.status &^= uds.TestFailed | notCompleted
}

// confirm makes a code that failed in this cycle confirmed when it has failed
// in enough driving cycles, and lights the lamp.
func (m *Memory) confirm(i int) {
	r, c := &m.recs[i], &m.codes[i]
	if r.status&uds.TestFailedThisOperationCycle == 0 {
		return
	}
	trips := int(r.trips)
	if m.cycle.driven || c.Trips == 1 {
		trips++
	}
	if trips < c.Trips {
		return
	}
	was := r.status
	if was&uds.ConfirmedDTC == 0 {
		m.marks.confirm(i)
	}
	r.status |= uds.ConfirmedDTC
	r.good = 0
	if c.MIL {
		m.light(r, true)
		if c.Emission {
			r.permanent, r.passed, r.driven = true, false, false
		}
	}
	if r.status != was {
		m.changes++
		m.offerFrame(i)
	}
}

// Clear erases the codes of a group and what goes with them: pending and
// confirmed state, snapshots, the freeze frame, readiness and the counters of
// PIDs 21 30 31 4D 4E. Permanent codes and in-use counters stay. The group is
// FFFFFF all, FFFF33 emission, or one code with its failure type; false for
// any other.
func (m *Memory) Clear(group uint32) bool {
	hit := group == uds.AllGroups || group == uds.EmissionGroup
	for i := range m.recs {
		c := &m.codes[i]
		if group == uds.AllGroups || group == uds.EmissionGroup && c.Emission || group == c.Number() {
			hit = true
			m.light(&m.recs[i], false)
			m.recs[i].clear()
			m.marks.drop(i)
			m.forgetResults(i)
			m.dropFrame(i)
			m.changes++
		}
	}
	if group == uds.AllGroups || group == uds.EmissionGroup {
		m.life.clear()
		m.asked = false
	}
	return hit
}

// SetRecording stops and starts the keeping of codes (service 85).
func (m *Memory) SetRecording(on bool) { m.recording = on }

// AskLamp reports the lamp as lit until the end of the operation cycle without a
// confirmed code, as for misfire that endangers the catalyst.
func (m *Memory) AskLamp() { m.asked = m.cycle.on }

// MIL reports whether any code, or the program, asks for the malfunction indicator
// lamp.
func (m *Memory) MIL() bool { return m.asked || m.lamps > 0 }

// light has a code ask for the lamp, or no longer.
func (m *Memory) light(r *record, on bool) {
	if on == (r.status&uds.WarningIndicatorRequested != 0) {
		return
	}
	r.status ^= uds.WarningIndicatorRequested
	if on {
		m.lamps++
	} else {
		m.lamps--
	}
}
