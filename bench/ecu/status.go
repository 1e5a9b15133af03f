package ecu

// Bits of the UDS status byte of a trouble code (ISO 14229-1 annex D.2).
const (
	testFailed                    = 1 << 0
	testFailedThisCycle           = 1 << 1
	pendingDTC                    = 1 << 2
	confirmedDTC                  = 1 << 3
	notCompletedSinceClear        = 1 << 4
	failedSinceClear              = 1 << 5
	notCompletedThisCycle         = 1 << 6
	warningIndicator              = 1 << 7
	statusAfterClear              = notCompletedSinceClear | notCompletedThisCycle
	failedInFull                  = testFailed | testFailedThisCycle | pendingDTC | failedSinceClear
	notCompleted                  = notCompletedSinceClear | notCompletedThisCycle
	goodCyclesForLampOff          = 3
	warmUpsForErasure             = 40
	allGroups              uint32 = 0xFFFFFF
	emissionGroup          uint32 = 0xFFFF33
)

// record is the life of one code.
type record struct {
	// level is the debounce in microseconds: up to the fail time when
	// failing, down to minus the pass time when passing.
	level  int64
	last   int64
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

func (r *record) clear() {
	p, first, latest := r.permanent, r.first[:0], r.latest[:0]
	*r = record{status: statusAfterClear, permanent: p, first: first, latest: latest}
}

// counter is the fault detection counter: 127 failed, -128 passed, between
// them on the way (ISO 14229-1 annex D).
func (r *record) counter(l *limits) int8 {
	switch {
	case r.level > 0 && r.level >= l.fail, r.level == 0 && l.fail == 0 && r.status&testFailed != 0:
		return 127
	case r.level > 0:
		return int8(max(1, min(126, r.level*127/l.fail)))
	case r.level < 0 && r.level <= -l.pass:
		return -128
	case r.level < 0:
		return int8(r.level * 128 / l.pass)
	case l.pass == 0 && r.status&(notCompletedThisCycle|testFailed) == 0:
		return -128
	}
	return 0
}
