package rules

import (
	"bytes"
	"slices"
	"time"

	"sawhorse/canbus/uds"
)

// The rules about waiting for answers and heeding what they say.
var answerRules = []Rule{
	{
		ID: "one-at-a-time", Group: "answers", Severity: Must,
		Says:   "The next request waits until everybody has answered the last one, or P2 is over",
		Source: "ISO 15765-4:2011 clause 7 (P2 CAN 50 ms); ISO 14229-2:2013 clause 7 (P2 client)",
		Why:    "A control unit handles one request. It drops the newcomer or answers the wrong one.",
		begin:  stateless(oneAtATime),
	},
	{
		ID: "lets-answers-finish", Group: "answers", Severity: Must,
		Says:   "No request is sent to a control unit in the middle of its segmented answer",
		Source: "ISO 15765-2:2016 clause 9.8.3; ISO 15765-4:2011 clause 7 (end of the last answer)",
		Why:    "The answer is broken off and has to be asked for again.",
		begin:  stateless(letsFinish),
	},
	{
		ID: "pause-after-silent", Group: "answers", Severity: Should,
		Says:   "After a request that wants no answer the tool pauses for P3 before the next to the same unit",
		Source: "ISO 14229-2:2013 clause 7 (P3 client)",
		Why:    "The control unit may still be at work, and a request that comes then is lost without a sign.",
		begin:  pauseAfterSilent,
	},
	{
		ID: "pending-patience", Group: "answers", Severity: Must,
		Says:   "After a response pending (NRC 78) the tool waits for the answer, up to P2*",
		Source: "ISO 14229-1:2013 annex A (NRC 78); ISO 14229-2:2013 clause 7 (P2* client)",
		Why:    "The control unit is doing what it was asked for. Its result is lost, or cleared half way.",
		begin:  stateless(pendingPatience),
	},
	{
		ID: "pending-no-repeat", Group: "answers", Severity: Must,
		Says:   "A request whose answer is pending is not sent again",
		Source: "ISO 14229-1:2013 annex A (NRC 78: the client shall not repeat)",
		Why:    "The second one starts the same work again, or gets a refusal that hides the first's result.",
		begin:  stateless(pendingNoRepeat),
	},
	{
		ID: "busy-repeats", Group: "answers", Severity: Should,
		Says:   "A request refused as busy (NRC 21) is asked again later",
		Source: "ISO 14229-1:2013 annex A (NRC 21: busy, repeat request)",
		Why:    "Busy is no answer: codes that are there are not read.",
		begin:  busyRepeats,
	},
	{
		ID: "busy-pause", Group: "answers", Severity: Should,
		Says:   "A tool that heard busy (NRC 21) pauses for at least 20 ms before it asks again or does something else",
		Source: "ISO 14229-1:2013 annex A (NRC 21: repeat at a later time); the figure is common practice",
		Why:    "Asking at once keeps a busy control unit busy, and another action finds it in the middle of the first.",
		begin:  func() watcher { return askedAgain(20*time.Millisecond, (*event).busy) },
	},
	{
		ID: "refusal-heeded", Group: "answers", Severity: Should,
		Says:   "A request that was refused is not repeated at once",
		Source: "ISO 14229-1:2013 annex A (negative response codes); the figure of 100 ms is common practice",
		Why:    "A refusal is an answer. The condition that it names does not change in milliseconds.",
		begin: func() watcher {
			return askedAgain(100*time.Millisecond, func(e *event) bool { return !e.busy() && !e.says(uds.ResponsePending) })
		},
	},
	{
		ID: "refused-for-good", Group: "answers", Severity: Should,
		Says:   "What a control unit does not know (NRC 11, 12, 13, 31) is not asked more than twice in one session",
		Source: "ISO 14229-1:2013 annex A (NRC 11, 12, 13, 31)",
		Why:    "It will never know it.",
		begin:  refusedForGood,
	},
	{
		ID: "acts-physically", Group: "answers", Severity: Must,
		Says:   "Security, routines, outputs, writing and programming are asked of one control unit by its own identifier",
		Source: "ISO 14229-1:2013 clause 9 to 14; ISO 14229-3:2012 clause 8 (functional requests)",
		Why:    "Sent to all, it acts in control units that nobody meant.",
		begin:  stateless(actsPhysically),
	},
	{
		ID: "suppress-where-nothing-is-asked", Group: "answers", Severity: Must,
		Says:   "The bit that suppresses the answer is set only where the answer tells nothing",
		Source: "ISO 14229-1:2013 clause 8.2.2 (suppressPosRspMsgIndicationBit)",
		Why:    "Codes, seeds and results of routines are what the answer is for.",
		begin:  stateless(suppressRightly),
	},
}

func oneAtATime(e *event, b *book, t *tally) {
	if e.kind != request || e.keepAlive() {
		return
	}
	x := b.last
	if x == nil {
		for _, u := range b.to(e) {
			if u.asked != nil && (x == nil || u.asked.at > x.at) {
				x = u.asked
			}
		}
	}
	if x == nil {
		return
	}
	if b.open(x, e.at) && !slices.ContainsFunc(b.to(e), func(u *unit) bool { return u.pending }) {
		t.time(e.at - (x.at + p2))
		t.breach(e, []mark{x.mark}, "%v after the last request, with answers outstanding", (e.at - x.at).Round(10*time.Microsecond))
		return
	}
	t.keep()
}

func letsFinish(e *event, b *book, t *tally) {
	if e.kind != request || e.keepAlive() {
		return
	}
	for _, u := range b.to(e) {
		if u.coming(e.at) {
			t.breach(e, []mark{u.in.mark}, "an answer of %s is under way (%d bytes)", u.name, u.in.length)
			return
		}
	}
	t.keep()
}

func pauseAfterSilent() watcher {
	silent := map[*unit]mark{}
	return func(e *event, b *book, t *tally) {
		if e.kind != request || e.keepAlive() {
			return
		}
		for _, u := range b.to(e) {
			if m, ok := silent[u]; ok {
				delete(silent, u)
				t.time(e.at - m.at - p2)
				if e.at < m.at+p2 {
					t.breach(e, []mark{m}, "%v after a request that wants no answer", (e.at - m.at).Round(10*time.Microsecond))
					break
				}
				t.keep()
			}
			if e.suppressed() {
				silent[u] = e.mark()
			}
		}
	}
}

// waiting are the units reached whose answer is pending and still in its time.
func waiting(b *book, e *event) []*unit {
	return slices.DeleteFunc(b.to(e), func(u *unit) bool { return !u.pending || e.at >= u.pendingBy.at+u.star })
}

func pendingPatience(e *event, b *book, t *tally) {
	switch {
	case e.kind == request && !e.keepAlive():
		for _, u := range waiting(b, e) {
			if bytes.Equal(e.m.Data, u.asked.data) {
				continue // another rule
			}
			left := u.pendingBy.at + u.star - e.at
			t.time(-left)
			t.breach(e, []mark{u.pendingBy}, "%s has %v left to answer [% X]", u.name, left.Round(time.Millisecond), clip(u.asked.data))
			return
		}
	case e.kind == taskEnd && b.opt.Fresh: // a person who says done does not end the tool
		for _, u := range b.units {
			if u.pending && e.at < u.pendingBy.at+u.star {
				t.breach(e, []mark{u.pendingBy}, "the tool ends while %s still has %v to answer", u.name, (u.pendingBy.at + u.star - e.at).Round(time.Millisecond))
			}
		}
	case e.kind == response && !e.says(uds.ResponsePending) && e.unit != nil && e.unit.pending:
		t.keep()
	}
}

func pendingNoRepeat(e *event, b *book, t *tally) {
	switch {
	case e.kind == request && !e.keepAlive():
		for _, u := range waiting(b, e) {
			if bytes.Equal(e.m.Data, u.asked.data) {
				t.breach(e, []mark{u.pendingBy}, "the same request again %v after its answer was announced", (e.at - u.pendingBy.at).Round(time.Millisecond))
				return
			}
		}
	case e.kind == response && !e.says(uds.ResponsePending) && e.unit != nil && e.unit.pending:
		t.keep()
	}
}

// owed is something that a tool has to come back to.
type owed struct {
	mark
	unit  *unit
	data  []byte
	nrc   int
	again bool // it was asked again
}

func busyRepeats() watcher {
	var open []owed
	return func(e *event, b *book, t *tally) {
		switch {
		case e.kind == response && e.busy() && e.unit != nil && e.unit.asked != nil:
			data := e.unit.asked.data
			if !slices.ContainsFunc(open, func(o owed) bool { return o.unit == e.unit && bytes.Equal(o.data, data) }) {
				open = append(open, owed{mark: e.mark(), unit: e.unit, data: data})
			}
		case e.kind == request && len(open) > 0:
			to := b.to(e)
			for i := range open {
				if o := &open[i]; slices.Contains(to, o.unit) && bytes.Equal(o.data, e.m.Data) {
					o.again = true
					t.keep()
				}
			}
		case e.over(b):
			for _, o := range open {
				if !o.again {
					t.breach(e, []mark{o.mark}, "%s was busy, and [% X] was not asked again", o.unit.name, clip(o.data))
				}
			}
			open = open[:0]
		case e.kind == taskEnd || e.kind == powerOff:
			open = open[:0]
		}
	}
}

// acts reports a request that changes something in the car.
func acts(e *event) bool {
	return e.asks(uds.ClearCodes, uds.ClearDiagnosticInformation, uds.ECUReset, uds.WriteDataByIdentifier,
		uds.InputOutputControlByIdentifier, uds.RoutineControl, uds.RequestDownload, uds.TransferData)
}

// askedAgain looks how soon a refused request is sent again.
func askedAgain(pause time.Duration, about func(e *event) bool) watcher {
	refused := map[*unit]owed{}
	return func(e *event, b *book, t *tally) {
		switch {
		case e.kind == taskStart:
			clear(refused)
		case e.kind == response && e.m.NRC >= 0 && about(e) && e.unit != nil && e.unit.asked != nil:
			refused[e.unit] = owed{mark: e.mark(), data: e.unit.asked.data, nrc: e.m.NRC}
		case e.kind == request && !e.keepAlive():
			for _, u := range b.to(e) {
				o, ok := refused[u]
				if !ok {
					continue
				}
				delete(refused, u)
				since := e.at - o.at
				if !bytes.Equal(o.data, e.m.Data) {
					if o.nrc == int(uds.BusyRepeatRequest) && acts(e) && since < pause {
						t.breach(e, []mark{o.mark}, "[% X] %v after %s was busy with [% X]", clip(e.m.Data), since.Round(10*time.Microsecond), u.name, clip(o.data))
						return
					}
					continue
				}
				t.time(since - pause)
				if since < pause {
					t.breach(e, []mark{o.mark}, "asked again %v after NRC %02X", since.Round(10*time.Microsecond), o.nrc)
					return
				}
				t.keep()
			}
		}
	}
}

func refusedForGood() watcher {
	type question struct {
		unit    *unit
		session byte
		data    string
	}
	count := map[question]int{}
	return func(e *event, b *book, t *tally) {
		switch {
		case e.kind == taskStart && b.opt.Fresh:
			clear(count)
		case e.refuses() && e.unit != nil && e.unit.asked != nil && e.says(uds.ServiceNotSupported, uds.SubFunctionNotSupported, uds.IncorrectMessageLengthOrInvalidFormat, uds.RequestOutOfRange):
			q := question{e.unit, e.unit.session, string(e.unit.asked.data)}
			count[q]++
			if count[q] > 2 {
				t.breach(e, []mark{e.unit.asked.mark}, "refused with NRC %02X for the %d. time", e.m.NRC, count[q])
				return
			}
			t.keep()
		}
	}
}

func actsPhysically(e *event, _ *book, t *tally) {
	if !e.asks(uds.ReadMemoryByAddress, uds.SecurityAccess, uds.Authentication, uds.WriteDataByIdentifier,
		uds.InputOutputControlByIdentifier, uds.RoutineControl, uds.RequestDownload, uds.RequestUpload, uds.TransferData,
		uds.RequestTransferExit, uds.RequestFileTransfer, uds.WriteMemoryByAddress) {
		return
	}
	if e.functional {
		t.breach(e, nil, "service %02X is asked of all", e.m.Service)
		return
	}
	t.keep()
}

func suppressRightly(e *event, _ *book, t *tally) {
	if !e.suppressed() {
		return
	}
	wanted := e.about(uds.ReadDTCInformation, uds.Authentication, uds.ResponseOnEvent) ||
		e.about(uds.SecurityAccess) && e.m.Sub%2 == 1 || e.about(uds.RoutineControl) && e.m.Sub == uds.RequestRoutineResults
	if wanted {
		t.breach(e, nil, "the answer to service %02X %02X is suppressed", e.m.Service, e.m.Sub)
		return
	}
	t.keep()
}
