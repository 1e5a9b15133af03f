package rules

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/uds"
)

// eventKind says what a rule is told.
type eventKind uint8

const (
	toolFrame  eventKind = iota // any frame on an identifier that tools send on
	carFrame                    // any frame on an identifier that ECUs answer on
	strayFrame                  // a frame of the tool on an identifier that is none of a tool's
	toolFlow                    // a flow control of the tool
	carFlow                     // a flow control of an ECU
	request                     // a whole message of the tool
	response                    // a whole message of an ECU
	toolBroken                  // a message of the tool that was begun and not completed
	carBroken                   // the same of an ECU
	taskStart
	taskEnd
	powerOff // the key was taken back: ECUs forget their sessions
	other
	finish // the run is over
)

// event is one thing that happened.
type event struct {
	kind        eventKind
	at          time.Duration
	first, last int
	key         canbus.Key
	frame       *canbus.Frame // of the frame and flow kinds
	touched     bool          // a fault has changed it
	functional  bool          // to all
	unit        *unit         // addressed or answering; nil for functional
	flow        isotp.Flow    // of the flow kinds
	length      int           // announced, of the broken kinds
	result      isotp.Result  // of the broken kinds
	m           judge.Observation
	task        *judge.Observation // of the task kinds
}

// asks reports a request of one of the services.
func (e *event) asks(services ...uds.Service) bool {
	return e.kind == request && e.about(services...)
}

// answers reports a positive response about one of the services.
func (e *event) answers(services ...uds.Service) bool {
	return e.kind == response && e.m.Positive && e.about(services...)
}

// about reports a message about one of the services, an answer included.
func (e *event) about(services ...uds.Service) bool {
	return e.m.Service >= 0 && slices.Contains(services, uds.Service(e.m.Service))
}

// says reports one of the negative response codes.
func (e *event) says(codes ...uds.NRC) bool {
	return e.m.NRC >= 0 && slices.Contains(codes, uds.NRC(e.m.NRC))
}

// busy reports a unit that asks for the request once more.
func (e *event) busy() bool { return e.says(uds.BusyRepeatRequest) }

// sub is the sub-function of a message without the bit that suppresses the answer.
func sub(d []byte) byte { return d[1] &^ uds.SuppressPositiveResponse }

// refuses reports a final negative response.
func (e *event) refuses() bool {
	return e.kind == response && e.m.NRC >= 0 && !e.says(uds.ResponsePending)
}

// suppressed reports a request that wants no positive response (ISO 14229-1:2013
// clause 8.2.2: bit 7 of the sub-function).
func (e *event) suppressed() bool {
	return e.kind == request && e.m.Sub >= 0 && len(e.m.Data) > 1 && e.m.Data[1]&uds.SuppressPositiveResponse != 0
}

// keepAlive is a tester present that nobody answers: it is no part of any exchange.
func (e *event) keepAlive() bool { return e.asks(uds.TesterPresent) && e.suppressed() }

// obd reports a request of emission diagnostics (ISO 15031-5: services 01 to 0A).
func (e *event) obd() bool {
	return e.kind == request && uds.Service(max(0, e.m.Service)).IsOBD()
}

// resets reports a request after which an ECU is as after switching on, or in its
// default session.
func (e *event) resets() bool {
	return e.asks(uds.ECUReset) || e.asks(uds.DiagnosticSessionControl) && e.m.Sub == uds.DefaultSession
}

// done reports the end of a task whose tool came to its end by itself.
func (e *event) done() bool {
	return e.kind == taskEnd && (e.task.Status == judge.StatusOK || e.task.Status == judge.StatusFailed)
}

// over reports that whatever is still owed will not come any more: the task is done,
// or the run ends between tasks.
func (e *event) over(b *book) bool { return e.done() || e.kind == finish && b.task == "" }

// pci is the high nibble of the protocol control information, -1 without any.
func (e *event) pci() int {
	if e.frame == nil || e.frame.Len == 0 {
		return -1
	}
	return int(e.frame.Data[0] >> 4)
}

// mark is a moment of the bus that is remembered, to be shown later. Its words are made
// when it is shown: most never are.
type mark struct {
	first, last int
	at          time.Duration
	kind        eventKind
	key         canbus.Key
	length      int    // of the broken kinds
	task        string // of the task kinds
	status      string
	bytes       int // of data; -1 where there is none
	data        [24]byte
}

func (e *event) mark() mark {
	m := mark{first: e.first, last: e.last, at: e.at, kind: e.kind, key: e.key, length: e.length, bytes: -1}
	switch {
	case e.kind <= carFlow && e.frame != nil:
		m.bytes = copy(m.data[:], e.frame.Payload())
	case e.kind == request || e.kind == response:
		m.bytes = copy(m.data[:], e.m.Data)
	case e.task != nil:
		m.task, m.status = e.task.Task, e.task.Status
	}
	return m
}

// text says what the moment was, as evidence.
func (m *mark) text() string {
	switch {
	case m.kind <= carFlow && m.bytes >= 0:
		return fmt.Sprintf("frame %v [% X]", m.key, m.data[:m.bytes])
	case m.kind == request:
		return fmt.Sprintf("request %v [% X]", m.key, m.data[:m.bytes])
	case m.kind == response:
		return fmt.Sprintf("response %v [% X]", m.key, m.data[:m.bytes])
	case m.kind == toolBroken || m.kind == carBroken:
		return fmt.Sprintf("message %v of %d bytes, not completed", m.key, m.length)
	case m.kind == taskStart:
		return "task " + m.task + " starts"
	case m.kind == taskEnd:
		return "task " + m.task + " ends: " + m.status
	case m.kind == finish:
		return "the run ends"
	}
	return "the bus at this moment"
}

func (m *mark) evidence() judge.Evidence {
	return judge.Evidence{Time: m.at, First: m.first, Last: m.last, Text: m.text()}
}

func clip(b []byte) []byte { return b[:min(len(b), 24)] }
