package unit

import (
	"slices"
	"time"

	"sawhorse/canbus/clock"
	"sawhorse/canbus/uds"
)

// maxOutbox bounds the answers that wait for transport; more are given up.
const maxOutbox = 64

// Answer is one message that a unit sends, after a wait.
type Answer struct {
	Data []byte
	Wait time.Duration
}

// Alteration looks at an answer before transport takes it and gives what goes out
// instead: nothing, the same, or several. ok is false where it has no opinion.
type Alteration func(now time.Duration, answer []byte) (out []Answer, ok bool)

// alteration is a Alteration that can be taken away again.
type alteration struct{ fn Alteration }

// AlterAnswers has fn look at every answer of the unit; of several the first with
// an opinion counts. remove ends it; what it holds back still goes.
func (m *Unit) AlterAnswers(fn Alteration) (remove func()) {
	s := &alteration{fn}
	m.alterations = append(m.alterations, s)
	return func() {
		m.alterations = slices.DeleteFunc(slices.Clone(m.alterations), func(o *alteration) bool { return o == s })
	}
}

// Refuse has fn look at the answer of every request before it is carried out, and refuse
// it instead.
func (m *Unit) Refuse(fn func(answer []byte) (why uds.NRC, ok bool)) (remove func()) {
	return m.server.Refuse(fn)
}

// post puts an answer of the server, or what alterations make of it, into the outbox.
func (m *Unit) post(answer []byte) {
	for _, s := range m.alterations {
		out, ok := s.fn(m.loop.Now(), answer)
		if !ok {
			continue
		}
		for _, o := range out {
			m.later(o)
		}
		return
	}
	if len(m.outbox) >= maxOutbox {
		m.failures++
		return
	}
	m.outbox = append(m.outbox, answer)
}

// later puts an answer into the outbox when its time has come, if the unit is
// still alive then.
func (m *Unit) later(a Answer) {
	if a.Wait <= 0 {
		m.outbox = append(m.outbox, a.Data)
		return
	}
	m.loop.At(m.loop.Now()+a.Wait, clock.PriorityECU, func() {
		if m.server.Alive(m.loop.Now()) {
			m.outbox = append(m.outbox, a.Data)
			m.pump(m.loop.Now())
		}
	})
}
