package ecu

import (
	"errors"
	"fmt"
	"time"

	"sawhorse/bench/ecu/broadcast"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/dbc"
)

// talk is a unit's share in the periodic messages of its network.
type talk struct {
	sender *broadcast.Sender // nil for a unit that sends none
	timer  *clock.Timer
	frame  canbus.Frame
	awake  []rule
	until  time.Duration // it lingers until then
}

// programmingSession is the session in which boot software runs (ISO 14229-1 clause
// 9.2): it has no normal messages.
const programmingSession = 0x02

func (m *Module) bindTalk(b *binder, net *dbc.Network) {
	spec := &m.spec.Network
	for i := range spec.Awake {
		m.talk.awake = append(m.talk.awake, b.rule(fmt.Sprintf("$.network.awake[%d]", i), &spec.Awake[i]))
	}
	if net == nil || spec.Node == "" || b.err != nil {
		return
	}
	if _, ok := net.Node(spec.Node); !ok {
		b.fail("$.network.node", fmt.Errorf("%q is no node of %s", spec.Node, net.File))
		return
	}
	m.talk.sender, b.err = broadcast.NewSender(net, spec.Node, m.readings)
	m.talk.timer = m.loop.NewTimer(clock.PriorityECU, m.speak)
}

// Sends lists the identifiers of the periodic messages that the unit sends.
func (m *Module) Sends() []canbus.Key {
	if m.talk.sender == nil {
		return nil
	}
	return m.talk.sender.Keys()
}

// converse decides whether the unit sends its messages at all: with its supply, booted,
// awake, and as far as services 10 and 28 let it.
func (m *Module) converse(now time.Duration) {
	t := &m.talk
	if t.sender == nil {
		return
	}
	s := m.server
	on := s.Alive(now) && s.spoken && !s.boot && s.session.id != programmingSession && t.wakes(m, now)
	if on == t.sender.Talks() {
		return
	}
	t.sender.Talk(now, on)
	m.speak()
}

// wakes reports whether the unit has a reason to be awake, or had one just now.
func (t *talk) wakes(m *Module, now time.Duration) bool {
	if len(t.awake) == 0 {
		return true
	}
	for i := range t.awake {
		if t.awake[i].holds(m.readings) {
			t.until = now + m.spec.Network.Linger.d()
			return true
		}
	}
	return now < t.until
}

// speak sends what is due and sets the timer.
func (m *Module) speak() {
	t, now := &m.talk, m.loop.Now()
	for t.sender.Next(now, &t.frame) {
		if err := m.mux.Port().Send(&t.frame); err != nil {
			t.sender.Refused(&t.frame, errors.Is(err, canbus.ErrBusOff))
		}
	}
	if at, ok := t.sender.Due(); ok {
		t.timer.Set(at)
	} else {
		t.timer.Stop()
	}
}
