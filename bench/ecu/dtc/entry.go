package dtc

import (
	"iter"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// Entry is one code as it stands: what the description says of it, and its state.
type Entry struct {
	*spec.Code
	// Status is the status byte, of which only the bits of [Memory.Available] count.
	Status byte
	// Permanent is whether service 0A lists it.
	Permanent bool
	// Counter is the fault detection counter: 127 failed, -128 passed, between them on
	// the way.
	Counter int8
	// Occurrences are operation cycles with a failure, Aged warm-ups since the last.
	Occurrences, Aged uint8
	// First and Latest are the snapshots at the first failure since the last clear and at
	// the latest one, empty for none. The bytes are the memory's.
	First, Latest []byte
}

// FailedSinceClear reports whether the code has failed since the last clear: others have
// no extended data.
func (e *Entry) FailedSinceClear() bool { return e.Status&uds.TestFailedSinceLastClear != 0 }

func (m *Memory) entry(i int) Entry {
	r := &m.recs[i]
	return Entry{Code: &m.codes[i], Status: m.Status(i), Permanent: r.permanent, Counter: r.counter(&m.limits[i]),
		Occurrences: r.occurrences, Aged: r.aged, First: r.first, Latest: r.latest}
}

// All are the codes in the order of the description.
func (m *Memory) All() iter.Seq[Entry] {
	return func(yield func(Entry) bool) {
		for i := range m.recs {
			if !yield(m.entry(i)) {
				return
			}
		}
	}
}

// Find is the code with these three bytes.
func (m *Memory) Find(number uint32) (Entry, bool) {
	for i := range m.codes {
		if m.codes[i].Number() == number {
			return m.entry(i), true
		}
	}
	return Entry{}, false
}

// Available are the bits of the status that the unit has.
func (m *Memory) Available() byte { return m.available }

// Status is the status byte of a code by its number.
func (m *Memory) Status(ref int) byte { return m.recs[ref].status & m.available }

// Confirmed, Pending and Permanent append the emission codes of services 03,
// 07 and 0A, in the order of the spec.
func (m *Memory) Confirmed(dst []uds.DTC) []uds.DTC { return m.list(dst, uds.ConfirmedDTC) }

// Pending appends what service 07 lists.
func (m *Memory) Pending(dst []uds.DTC) []uds.DTC { return m.list(dst, uds.PendingDTC) }

// Permanent appends what service 0A lists.
func (m *Memory) Permanent(dst []uds.DTC) []uds.DTC {
	for i := range m.recs {
		if m.recs[i].permanent {
			dst = append(dst, m.codes[i].DTC())
		}
	}
	return dst
}

func (m *Memory) list(dst []uds.DTC, bit byte) []uds.DTC {
	for i := range m.recs {
		if m.codes[i].Emission && m.recs[i].status&bit != 0 {
			dst = append(dst, m.codes[i].DTC())
		}
	}
	return dst
}
