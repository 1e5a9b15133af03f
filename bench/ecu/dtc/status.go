package dtc

import (
	"time"

	"sawhorse/canbus/uds"
)

// Groups of bits of the status byte of a code (ISO 14229-1 annex D.2), and how long a
// code lives.
const (
	statusAfterClear     = uds.TestNotCompletedSinceLastClear | uds.TestNotCompletedThisOperationCycle
	failedInFull         = uds.TestFailed | uds.TestFailedThisOperationCycle | uds.PendingDTC | uds.TestFailedSinceLastClear
	notCompleted         = uds.TestNotCompletedSinceLastClear | uds.TestNotCompletedThisOperationCycle
	goodCyclesForLampOff = 3
	warmUpsForErasure    = 40
)

// record is the life of one code.
type record struct {
	// level is the debounce in microseconds: up to the fail time when
	// failing, down to minus the pass time when passing.
	level int64
	// last is when the last sample came.
	last   time.Duration
	status byte
	seen   bool
	// trips counts earlier driving cycles with a failure, good those in a row
	// that tested and never failed, aged warm-ups without a failure.
	trips, good, aged uint8
	// occurrences counts operation cycles with a failure.
	occurrences uint8
	// permanent is the copy that service 04 cannot erase; passed and driven
	// are what has been met since to erase it after a clear.
	permanent      bool
	passed, driven bool
	// like are the conditions of the latest failure.
	like likeness
	// first and latest are the snapshots at the first failure since clear and
	// at the latest one.
	first, latest []byte
}

// clear is what a clear leaves of it.
func (r *record) clear() {
	p, first, latest := r.permanent, r.first[:0], r.latest[:0]
	*r = record{status: statusAfterClear, permanent: p, first: first, latest: latest}
}

// counter is the fault detection counter: 127 failed, -128 passed, between
// them on the way (ISO 14229-1 annex D).
func (r *record) counter(l *limits) int8 {
	switch {
	case r.level > 0 && r.level >= l.fail, r.level == 0 && l.fail == 0 && r.status&uds.TestFailed != 0:
		return 127
	case r.level > 0:
		return int8(max(1, min(126, r.level*127/l.fail)))
	case r.level < 0 && r.level <= -l.pass:
		return -128
	case r.level < 0:
		return int8(r.level * 128 / l.pass)
	case l.pass == 0 && r.status&(uds.TestNotCompletedThisOperationCycle|uds.TestFailed) == 0:
		return -128
	}
	return 0
}
