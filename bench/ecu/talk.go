package ecu

import (
	"errors"
	"fmt"
	"time"

	"sawhorse/bench/ecu/broadcast"
	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/dbc"
)

// talk is a unit's share in the periodic messages of its network.
type talk struct {
	sender *broadcast.Sender // nil for a unit that sends none
	timer  *clock.Timer
	awake  []rule
	until  time.Duration // it lingers until then

	receiver *broadcast.Receiver // nil for a unit that hears none
	heard    *signal.Table
	busOff   signal.Ref
}

// programmingSession is the session in which boot software runs (ISO 14229-1 clause
// 9.2): it has no normal messages.
const programmingSession = 0x02

func (m *Module) bindTalk(b *binder, p Parts) {
	spec, net := &m.spec.Network, p.Network
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
	if m.clashes(b, net); b.err != nil {
		return
	}
	m.talk.sender, b.err = broadcast.NewSender(net, spec.Node, m.readings, p.Routed...)
	m.talk.timer = m.loop.NewTimer(clock.PriorityECU, m.speak)
	if p.Heard != nil {
		m.bindEars(b, net, p.Heard)
	}
}

// clashes looks whether a message of the network has an identifier of diagnostics.
func (m *Module) clashes(b *binder, net *dbc.Network) {
	a := &m.spec.Addresses
	for _, x := range []struct {
		key string
		id  *canbus.ID
	}{{"request", &a.Request}, {"response", &a.Response}, {"functional", a.Functional}} {
		if x.id == nil {
			continue
		}
		if msg, ok := net.Message(canbus.KeyOf(*x.id, a.Extended)); ok {
			b.fail("$.addresses."+x.key, fmt.Errorf("identifier %s is that of message %s in %s, want another", msg.Key, msg.Name, net.File))
		}
	}
}

// bindEars binds what the unit hears to what its program hears.
func (m *Module) bindEars(b *binder, net *dbc.Network, heard *signal.Table) {
	spec, t := &m.spec.Network, &m.talk
	var ok bool
	if t.busOff, ok = heard.Lookup("bus_off"); !ok {
		b.fail("$.network", errors.New("the program cannot tell that it is bus-off"))
		return
	}
	var hears []broadcast.Hear
	for _, h := range spec.Hears {
		x := broadcast.Hear{Message: h.Message, From: h.From, Timeout: h.Timeout.d()}
		for _, k := range h.Takes {
			x.Takes = append(x.Takes, broadcast.Take{Signal: k.Signal, As: k.As})
		}
		hears = append(hears, x)
	}
	t.heard = heard
	t.receiver = broadcast.NewReceiver(net, spec.Node, hears, heard, func(i int, key, format string, args ...any) {
		b.fail(fmt.Sprintf("$.network.hears[%d].%s", i, key), fmt.Errorf(format, args...))
	})
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
	m.hearken(now)
	s := m.server
	on := s.Alive(now) && s.spoken && !s.boot && s.session.id != programmingSession && t.wakes(m, now)
	if on == t.sender.Talks() {
		return
	}
	t.sender.Talk(now, on)
	m.speak()
}

// hearken decides whether the unit hears the messages of others: with its supply, booted,
// awake, and as far as service 28 lets it. The programming session's boot software has no
// ears.
func (m *Module) hearken(now time.Duration) {
	t, s := &m.talk, m.server
	if t.receiver == nil {
		return
	}
	on := s.Alive(now) && s.heard && !s.boot && s.session.id != programmingSession
	if on != t.receiver.Listens() {
		t.receiver.Listen(now, on)
	}
	t.receiver.Tick(now)
	t.heard.SetBool(t.busOff, t.sender.BusOff())
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
	for f := t.sender.Next(now); f != nil; f = t.sender.Next(now) {
		if err := m.mux.Port().Send(f); err != nil {
			t.sender.Refused(f, errors.Is(err, canbus.ErrBusOff))
		}
	}
	if at, ok := t.sender.Due(); ok {
		t.timer.Set(at)
	} else {
		t.timer.Stop()
	}
}
