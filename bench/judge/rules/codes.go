package rules

import (
	"slices"

	"sawhorse/canbus/uds"
)

// The rules about reading and clearing trouble codes.
var codeRules = []Rule{
	{
		ID: "codes-read-before-clear", Group: "codes", Severity: Must,
		Says:   "Codes are read before they are cleared",
		Source: "common practice",
		Why:    "What is cleared unread is evidence lost.",
		begin:  readBeforeClear,
	},
	{
		ID: "freeze-frame-before-clear", Group: "codes", Severity: Should,
		Says:   "The freeze frame of a stored code is read before it is cleared",
		Source: "common practice; ISO 15031-5:2015 clause 7 (service 04 erases freeze frames)",
		Why:    "It tells under which conditions the fault came, and clearing erases it.",
		begin:  freezeBeforeClear,
	},
	{
		ID: "read-after-clear", Group: "codes", Severity: Should,
		Says:   "After clearing, the codes are read again before the task ends",
		Source: "common practice",
		Why:    "A code that is there again at once has its cause still in the car.",
		begin:  readAfterClear,
	},
	{
		ID: "no-clear-engine-running", Group: "codes", Severity: Must,
		Says:   "Codes are cleared with the engine off",
		Source: "ISO 15031-5:2015 clause 7 (service 04: ignition on, engine not running)",
		Why:    "Clearing resets learned values, and the engine may stall or race.",
		begin:  stateless(noClearRunning),
	},
	{
		ID: "pending-and-permanent-read", Group: "codes", Severity: Should,
		Says:   "Who reads the stored codes reads the pending and the permanent ones too",
		Source: "ISO 15031-5:2015 clause 7 (services 03, 07 and 0A)",
		Why:    "A fault shows as pending first, and a permanent code tells of a clearing that mended nothing.",
		begin:  pendingAndPermanent,
	},
	{
		ID: "all-units-read", Group: "codes", Severity: Must,
		Says:   "Codes are read from every control unit that has answered",
		Source: "common practice",
		Why:    "The cause is often in another control unit than the complaint.",
		begin:  allUnitsRead,
	},
}

// clears reports a request to clear codes.
func clears(e *event) bool { return e.asks(uds.ClearCodes, uds.ClearDiagnosticInformation) }

// readsCodes reports a request for codes.
func readsCodes(e *event) bool { return e.asks(uds.ConfirmedCodes, uds.ReadDTCInformation) }

func readBeforeClear() watcher {
	read := map[*unit]bool{}
	return func(e *event, b *book, t *tally) {
		switch {
		case e.answers(uds.ConfirmedCodes, uds.ReadDTCInformation) && e.unit != nil:
			read[e.unit] = true
		case clears(e):
			ok := false
			for _, u := range b.to(e) {
				ok = ok || read[u]
			}
			if !ok {
				t.breach(e, nil, "the codes are cleared, and nobody has read them")
				return
			}
			t.keep()
		}
	}
}

func freezeBeforeClear() watcher {
	var stored mark
	asked := false
	return func(e *event, b *book, t *tally) {
		switch {
		case e.answers(uds.ConfirmedCodes) && len(e.m.Data) > 1 && e.m.Data[1] > 0:
			stored = e.mark()
		case e.asks(uds.FreezeFrame):
			asked = true
		case e.asks(uds.ClearCodes):
			switch {
			case stored.first == 0:
			case !asked:
				t.breach(e, []mark{stored}, "a code is stored, and its freeze frame was not asked")
			default:
				t.keep()
			}
		case e.answers(uds.ClearCodes):
			stored, asked = mark{}, false
		}
	}
}

func readAfterClear() watcher {
	var open []owed
	return func(e *event, b *book, t *tally) {
		switch {
		case e.answers(uds.ClearCodes, uds.ClearDiagnosticInformation) && e.unit != nil:
			open = append(open, owed{mark: e.mark(), unit: e.unit})
		case readsCodes(e):
			open = slices.DeleteFunc(open, func(o owed) bool {
				again := slices.Contains(b.to(e), o.unit)
				if again {
					t.keep()
				}
				return again
			})
		case e.over(b):
			for _, o := range open {
				t.breach(e, []mark{o.mark}, "%s has cleared its codes, and they were not read again", o.unit.name)
			}
			open = open[:0]
		case e.kind == taskEnd:
			open = open[:0]
		}
	}
}

func noClearRunning(e *event, b *book, t *tally) {
	if !clears(e) {
		return
	}
	rpm, ok := b.opt.Truth("engine_rpm")
	switch {
	case !ok:
	case rpm > 0:
		t.breach(e, nil, "cleared at %.0f rpm", rpm)
	default:
		t.keep()
	}
}

func pendingAndPermanent() watcher {
	asked := map[uds.Service]bool{}
	var stored mark
	return func(e *event, b *book, t *tally) {
		switch {
		case e.asks(uds.ConfirmedCodes, uds.PendingCodes, uds.PermanentCodes):
			asked[uds.Service(e.m.Service)] = true
			if e.about(uds.ConfirmedCodes) {
				stored = e.mark()
			}
		case e.over(b):
			switch {
			case !asked[uds.ConfirmedCodes]:
			case !asked[uds.PendingCodes]:
				t.breach(e, []mark{stored}, "the stored codes were read, the pending ones not")
			case !asked[uds.PermanentCodes]:
				t.breach(e, []mark{stored}, "the stored codes were read, the permanent ones not")
			default:
				t.keep()
			}
			clear(asked)
		case e.kind == taskEnd:
			clear(asked)
		}
	}
}

func allUnitsRead() watcher {
	asked := map[*unit]bool{}
	var first mark
	return func(e *event, b *book, t *tally) {
		switch {
		case readsCodes(e):
			if len(asked) == 0 {
				first = e.mark()
			}
			for _, u := range b.to(e) {
				if e.functional && u.beyond && e.obd() {
					continue // emission diagnostics does not reach it
				}
				asked[u] = true
			}
		case e.over(b):
			if len(asked) == 0 {
				return
			}
			for _, u := range b.units {
				switch {
				case !u.heardOf:
				case !asked[u]:
					t.breach(e, []mark{first}, "%s answers, and its codes were not read", u.name)
				default:
					t.keep()
				}
			}
			clear(asked)
		case e.kind == taskEnd:
			clear(asked)
		}
	}
}
