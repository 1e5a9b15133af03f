package ecu

import (
	"slices"
	"time"

	"sawhorse/bench/signal"
)

// maxSampleGap is the most that one sample of a monitor can move its
// debounce: after a longer pause the monitor was not running.
const maxSampleGap = 100 * time.Millisecond

// Memory holds the trouble codes of one unit and takes them through their
// life: debounce, pending, confirmed, lamp, aging, permanent. It is pure: it
// reads no clock and does no I/O. It belongs to one loop.
type Memory struct {
	codes  []CodeSpec
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
	// asked is whether the unit's program lights the lamp itself in this cycle.
	asked bool
}

// limits are a code's debounce times in microseconds, and the gate of its monitor;
// -1 for none.
type limits struct {
	fail, pass int64
	gate       int
}

// NewMemory returns the memory of a unit: after the life in the spec's
// history, or as after a clear.
func NewMemory(spec *Spec) *Memory {
	m := &Memory{
		codes: spec.Codes, recs: make([]record, len(spec.Codes)), limits: make([]limits, len(spec.Codes)),
		byName: map[string]int{}, recording: true, available: 0x7F, similar: spec.Memory.Similar != nil, marks: noMarks,
	}
	m.frame.code = -1
	for i := range spec.Codes {
		c := &spec.Codes[i]
		m.byName[c.Code] = i
		m.limits[i] = limits{fail: time.Duration(c.Fail).Microseconds(), pass: time.Duration(c.Pass).Microseconds(), gate: -1}
		m.recs[i].status = statusAfterClear
		if m.recallsConditions(i) {
			m.likes = append(m.likes, i)
		}
		if c.MIL {
			m.available = 0xFF
		}
	}
	m.supervise(spec.Memory.Readiness)
	m.bindRatios()
	if h := spec.Memory.History; h != nil {
		for i := range m.recs {
			m.recs[i].status = 0
		}
		m.life.settle(h)
		for _, u := range h.InUse {
			r := &m.ratios[slices.Index(ratioNames, u.Ratio)]
			r.completed, r.conditions = u.Completed, u.Conditions
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
	if !m.cycle.on || !m.recording || m.gated(ref) {
		return
	}
	r, l := &m.recs[ref], &m.limits[ref]
	us := now.Microseconds()
	step := min(us-r.last, maxSampleGap.Microseconds())
	if !r.seen {
		step, r.seen = 0, true
	}
	r.last = us
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
	first := r.status&failedSinceClear == 0
	fresh := r.status&testFailed == 0
	newTrip := r.status&testFailedThisCycle == 0
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
	if r.status&(testFailed|notCompleted) == 0 {
		return
	}
	m.changes++
	r.status &^= testFailed | notCompleted
}

// confirm makes a code that failed in this cycle confirmed when it has failed
// in enough driving cycles, and lights the lamp.
func (m *Memory) confirm(i int) {
	r, c := &m.recs[i], &m.codes[i]
	if r.status&testFailedThisCycle == 0 {
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
	if was&confirmedDTC == 0 {
		m.marks.confirm(i)
	}
	r.status |= confirmedDTC
	r.good = 0
	if c.MIL {
		r.status |= warningIndicator
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
	hit := group == allGroups || group == emissionGroup
	for i := range m.recs {
		c := &m.codes[i]
		if group == allGroups || group == emissionGroup && c.Emission || group == c.number() {
			hit = true
			m.recs[i].clear()
			m.marks.drop(i)
			m.forgetResults(i)
			m.dropFrame(i)
			m.changes++
		}
	}
	if group == allGroups || group == emissionGroup {
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
func (m *Memory) MIL() bool {
	if m.asked {
		return true
	}
	for i := range m.recs {
		if m.recs[i].status&warningIndicator != 0 {
			return true
		}
	}
	return false
}

// Status is the status byte of a code by its number.
func (m *Memory) Status(ref int) byte { return m.recs[ref].status & m.available }

// Confirmed, Pending and Permanent append the emission codes of services 03,
// 07 and 0A, in the order of the spec.
func (m *Memory) Confirmed(dst []DTC) []DTC { return m.list(dst, confirmedDTC) }

// Pending appends what service 07 lists.
func (m *Memory) Pending(dst []DTC) []DTC { return m.list(dst, pendingDTC) }

// Permanent appends what service 0A lists.
func (m *Memory) Permanent(dst []DTC) []DTC {
	for i := range m.recs {
		if m.recs[i].permanent {
			dst = append(dst, m.codes[i].dtc)
		}
	}
	return dst
}

func (m *Memory) list(dst []DTC, bit byte) []DTC {
	for i := range m.recs {
		if m.codes[i].Emission && m.recs[i].status&bit != 0 {
			dst = append(dst, m.codes[i].dtc)
		}
	}
	return dst
}

// number is the three-byte form of a code: two bytes and the failure type.
func (c *CodeSpec) number() uint32 { return uint32(c.dtc)<<8 | uint32(c.FTB) }

// find is the number of the code with these three bytes.
func (m *Memory) find(number uint32) (int, bool) {
	for i := range m.codes {
		if m.codes[i].number() == number {
			return i, true
		}
	}
	return 0, false
}
