package rules

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/canbus/uds"
)

// The rules about sessions and about what has to be put back at their end.
var sessionRules = []Rule{
	{
		ID: "tester-present", Group: "sessions", Severity: Must,
		Says:   "In a session other than the default one the control unit hears from the tool every five seconds",
		Source: "ISO 14229-2:2013 clause 7 (S3 server 5000 ms, S3 client 2000 ms)",
		Why:    "The control unit falls back to its default session, and the procedure ends in the middle.",
		begin:  testerPresent,
	},
	{
		ID: "session-first", Group: "sessions", Severity: Must,
		Says:   "Services that a control unit's default session does not have are asked of it in another session",
		Source: "ISO 14229-1:2013 table 23 (services allowed in the default session) and annex A (NRC 7E and 7F)",
		Why:    "The control unit refuses, and the tool blames the car.",
		begin:  stateless(sessionFirst),
	},
	{
		ID: "session-left", Group: "sessions", Severity: Must,
		Says:   "The tool leaves every session that it has opened before it goes",
		Source: "ISO 14229-1:2013 clause 9.2 (DiagnosticSessionControl)",
		Why:    "A control unit that is left in a session may run with functions switched off.",
		begin:  stateless(sessionLeft),
	},
	{
		ID: "keep-alive-unanswered", Group: "sessions", Severity: Should,
		Says:   "A tester present to all asks for no answer",
		Source: "ISO 14229-1:2013 clause 9.7 (TesterPresent, 3E 80)",
		Why:    "Every control unit answers at once, in the middle of somebody's data.",
		begin:  stateless(keepAliveUnanswered),
	},
	{
		ID: "dtc-setting-restored", Group: "sessions", Severity: Must,
		Says:   "Code setting that was switched off (85 02) is switched on again",
		Source: "ISO 14229-1:2013 clause 9.9 (ControlDTCSetting)",
		Why:    "Until then the car sees its faults and remembers none.",
		begin: func() watcher {
			return restored("code setting is still off", uds.ControlDTCSetting,
				func(d []byte) bool { return sub(d) == uds.DTCSettingOff },
				func(_, d []byte) bool { return sub(d) == uds.DTCSettingOn })
		},
	},
	{
		ID: "communication-restored", Group: "sessions", Severity: Must,
		Says:   "Communication that was switched off (28 01 to 03) is switched on again",
		Source: "ISO 14229-1:2013 clause 9.5 (CommunicationControl)",
		Why:    "The other control units store codes about the one that fell silent.",
		begin: func() watcher {
			return restored("normal communication is still off", uds.CommunicationControl,
				func(d []byte) bool { return !mayTalk(d) }, func(_, d []byte) bool { return mayTalk(d) })
		},
	},
	{
		ID: "control-returned", Group: "sessions", Severity: Must,
		Says:   "Outputs that the tool has taken (2F) are given back (parameter 00)",
		Source: "ISO 14229-1:2013 clause 12.2 (InputOutputControlByIdentifier, returnControlToECU)",
		Why:    "A fan or a pump keeps running, or never runs when it is needed.",
		begin: func() watcher {
			return restored("an output is still in the tool's hand", uds.InputOutputControlByIdentifier,
				func(d []byte) bool { return len(d) > 3 && d[3] != uds.InputOutputReturnControl },
				func(taken, d []byte) bool {
					return len(d) > 3 && d[3] == uds.InputOutputReturnControl && len(taken) > 2 && taken[1] == d[1] && taken[2] == d[2]
				})
		},
	},
	{
		ID: "routine-followed", Group: "sessions", Severity: Must,
		Says:   "A routine that was started is asked for its result, or stopped",
		Source: "ISO 14229-1:2013 clause 13.2 (RoutineControl)",
		Why:    "A started routine can fail. Who does not ask hopes.",
		begin: func() watcher {
			return followed("nobody asked how routine %02X%02X went", func(d []byte) bool {
				return sub(d) == uds.StopRoutine || sub(d) == uds.RequestRoutineResults
			})
		},
	},
	{
		ID: "routine-ended", Group: "sessions", Severity: Must,
		Says:   "A routine whose last result says that it still runs is waited for or stopped",
		Source: "ISO 14229-1:2013 clause 13.2 (RoutineControl, stopRoutine); that the first byte of the result tells is the car's own",
		Why:    "A pump runs on or an engine learns on with nobody there, and what it came to is never known.",
		begin:  routineEnded,
	},
	{
		ID: "routine-not-restarted", Group: "sessions", Severity: Should,
		Says:   "A routine is not started again before its result was asked or it was stopped",
		Source: "ISO 14229-1:2013 clause 13.2 (RoutineControl: start of a routine that runs)",
		Why:    "Some control units begin anew, and the procedure never ends.",
		begin:  routineNotRestarted,
	},
}

func testerPresent() watcher {
	// Only a tool that goes on as if the session were open has lost something.
	return func(e *event, b *book, t *tally) {
		if e.kind != request || e.functional && e.obd() {
			return
		}
		for _, u := range b.to(e) {
			if u.session == uds.DefaultSession || u.pending {
				continue
			}
			silent := e.at - u.heard
			t.time(s3Server - silent)
			switch {
			case silent <= s3Server:
				t.keep()
			case e.m.Service > int(uds.LastOBD) && !e.about(uds.DiagnosticSessionControl, uds.ECUReset) && !e.functional:
				t.breach(e, []mark{u.entered}, "%s heard nothing for %v, its session is over", u.name, silent.Round(time.Millisecond))
				return
			}
		}
	}
}

func sessionFirst(e *event, _ *book, t *tally) {
	if e.kind != response || e.unit == nil || !e.about(uds.SecurityAccess, uds.CommunicationControl, uds.InputOutputControlByIdentifier, uds.RequestDownload, uds.RequestUpload,
		uds.TransferData, uds.RequestTransferExit, uds.ControlDTCSetting, uds.LinkControl, uds.RoutineControl, uds.WriteDataByIdentifier) {
		return
	}
	refused := e.says(uds.ServiceNotSupportedInActiveSession) || e.says(uds.SubFunctionNotSupportedInActiveSession)
	switch {
	case refused && e.unit.lost:
	case refused && e.unit.session == uds.DefaultSession && e.unit.asked != nil:
		t.breach(e, []mark{e.unit.asked.mark}, "service %02X is asked of %s in its default session", e.m.Service, e.unit.name)
	case e.unit.session != uds.DefaultSession:
		t.keep()
	}
}

func sessionLeft(e *event, b *book, t *tally) {
	if e.resets() {
		for _, u := range b.to(e) {
			if u.session != uds.DefaultSession {
				t.keep()
				break
			}
		}
	}
	if !e.over(b) {
		return
	}
	for _, u := range b.units {
		if u.session != uds.DefaultSession && e.at-u.heard <= s3Server {
			t.breach(e, []mark{u.entered}, "%s is left in session %02X", u.name, u.session)
		}
	}
}

func keepAliveUnanswered(e *event, _ *book, t *tally) {
	switch {
	case !e.asks(uds.TesterPresent) || !e.functional:
	case e.suppressed():
		t.keep()
	default:
		t.breach(e, nil, "3E 00 to all: each of them answers")
	}
}

// restored follows a state that a service switches off and on. off and on look at
// the request; on is given the one that switched off, too.
func restored(still string, service uds.Service, off func(d []byte) bool, on func(taken, d []byte) bool) watcher {
	var open []owed
	return func(e *event, b *book, t *tally) {
		settle := func(done func(o *owed) bool) {
			open = slices.DeleteFunc(open, func(o owed) bool {
				if done(&o) {
					t.keep()
					return true
				}
				return false
			})
		}
		reached := func(o *owed) bool { return e.functional || o.unit == e.unit }
		switch {
		case e.asks(service) && len(e.m.Data) > 1 && on(e.m.Data, e.m.Data):
			settle(func(o *owed) bool { return reached(o) && on(o.data, e.m.Data) })
		case e.asks(service) && len(e.m.Data) > 1 && e.suppressed() && off(e.m.Data):
			open = append(open, owed{mark: e.mark(), unit: e.unit, data: slices.Clone(e.m.Data)})
		case e.answers(service) && e.unit != nil && e.unit.asked != nil && len(e.unit.asked.data) > 1 && off(e.unit.asked.data):
			settle(func(o *owed) bool { return false })
			open = slices.DeleteFunc(open, func(o owed) bool { return o.unit == e.unit && slices.Equal(o.data, e.unit.asked.data) })
			open = append(open, owed{mark: e.mark(), unit: e.unit, data: e.unit.asked.data})
		case e.resets():
			settle(reached)
		case e.over(b):
			for _, o := range open {
				t.breach(e, []mark{o.mark}, "%s%s", still, of(o.unit))
			}
			open = open[:0]
		case e.kind == taskEnd || e.kind == powerOff:
			open = open[:0]
		}
	}
}

func of(u *unit) string {
	if u == nil {
		return ""
	}
	return " in " + u.name
}

// followed wants something to be asked about each routine that was started.
func followed(what string, by func(d []byte) bool) watcher {
	var open []owed
	return func(e *event, b *book, t *tally) {
		switch {
		case e.asks(uds.RoutineControl) && len(e.m.Data) > 3 && by(e.m.Data):
			open = slices.DeleteFunc(open, func(o owed) bool {
				same := o.unit == e.unit && slices.Equal(o.data[2:4], e.m.Data[2:4])
				if same {
					t.keep()
				}
				return same
			})
		case e.answers(uds.RoutineControl) && e.m.Sub == uds.StartRoutine && e.m.RID >= 0 && e.unit != nil:
			d := slices.Clone(e.m.Data)
			open = slices.DeleteFunc(open, func(o owed) bool { return o.unit == e.unit && slices.Equal(o.data[2:4], d[2:4]) })
			open = append(open, owed{mark: e.mark(), unit: e.unit, data: d})
		case e.over(b):
			for _, o := range open {
				t.breach(e, []mark{o.mark}, what+of(o.unit), o.data[2], o.data[3])
			}
			open = open[:0]
		case e.kind == taskEnd || e.kind == powerOff:
			open = open[:0]
		}
	}
}

// routineEnded follows what a routine says of itself. Leaving the session is no way to
// end one: some control units go on.
func routineEnded() watcher {
	var open []owed
	return func(e *event, b *book, t *tally) {
		switch {
		case b.opt.Running == 0:
		case e.answers(uds.RoutineControl) && e.unit != nil && len(e.m.Data) > 3:
			d := slices.Clone(e.m.Data)
			n := len(open)
			open = slices.DeleteFunc(open, func(o owed) bool { return o.unit == e.unit && slices.Equal(o.data[2:4], d[2:4]) })
			switch {
			case e.m.Sub != uds.StopRoutine && len(d) > 4 && d[4] == b.opt.Running:
				open = append(open, owed{mark: e.mark(), unit: e.unit, data: d})
			case len(open) < n:
				t.keep()
			}
		case e.over(b):
			for _, o := range open {
				t.breach(e, []mark{o.mark}, "routine %02X%02X still runs%s", o.data[2], o.data[3], of(o.unit))
			}
			open = open[:0]
		case e.kind == taskEnd || e.kind == powerOff || e.answers(uds.ECUReset):
			open = open[:0]
		}
	}
}

func routineNotRestarted() watcher {
	started := map[string]mark{}
	name := func(e *event) string { return fmt.Sprint(e.unit.name, e.m.RID) }
	return func(e *event, _ *book, t *tally) {
		switch {
		case e.kind == taskStart || e.kind == taskEnd || e.kind == powerOff || e.resets():
			clear(started)
		case e.unit == nil || e.m.RID < 0:
		case e.answers(uds.RoutineControl) && e.m.Sub == uds.StartRoutine:
			started[name(e)] = e.mark()
		case e.asks(uds.RoutineControl) && e.m.Sub != uds.StartRoutine:
			if _, ok := started[name(e)]; ok {
				t.keep()
			}
			delete(started, name(e))
		case e.asks(uds.RoutineControl):
			if m, ok := started[name(e)]; ok {
				t.breach(e, []mark{m}, "routine %04X is started again", e.m.RID)
			}
		}
	}
}

// mayTalk reports a sub-function of communication control that leaves a unit both ears
// and voice.
func mayTalk(d []byte) bool {
	return sub(d) == uds.EnableRxAndTx || sub(d) == uds.EnableRxAndTxEnhanced
}
