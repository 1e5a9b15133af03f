package unit

import (
	"errors"
	"fmt"
	"time"

	"sawhorse/bench/ecu/broadcast"
	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/dbc"
)

// talk is a unit's share in the periodic messages of its network.
type talk struct {
	sender *broadcast.Sender // nil for a unit that sends none
	timer  *clock.Timer
	awake  []spec.Bound
	until  time.Duration // it lingers until then

	receiver *broadcast.Receiver // nil for a unit that hears none
	heard    *signal.Table
	busOff   signal.Ref
}

// bindTalk binds what the unit sends and hears. The error is one of the network's file;
// those of the description are the binder's.
func (m *Unit) bindTalk(b *spec.Binder, p Parts) (err error) {
	own, net := &m.spec.Network, p.Network
	m.talk.awake = b.Conditions("$.network.awake", own.Awake)
	if net == nil || own.Node == "" || b.Err() != nil {
		return nil
	}
	if _, ok := net.Node(own.Node); !ok {
		b.Fail("$.network.node", fmt.Errorf("%q is no node of %s", own.Node, net.File))
		return nil
	}
	if m.clashes(b, net); b.Err() != nil {
		return nil
	}
	if m.talk.sender, err = broadcast.NewSender(net, own.Node, m.readings, p.Routed...); err != nil {
		return err
	}
	m.talk.timer = m.loop.NewTimer(clock.PriorityECU, m.speak)
	if p.Heard != nil {
		m.bindEars(b, net, p.Heard)
	}
	return nil
}

// clashes looks whether a message of the network has an identifier of diagnostics.
func (m *Unit) clashes(b *spec.Binder, net *dbc.Network) {
	a := &m.spec.Addresses
	for _, x := range []struct {
		key string
		id  *canbus.ID
	}{{"request", &a.Request}, {"response", &a.Response}, {"functional", a.Functional}} {
		if x.id == nil {
			continue
		}
		if msg, ok := net.Message(canbus.KeyOf(*x.id, a.Extended)); ok {
			b.Fail("$.addresses."+x.key, fmt.Errorf("identifier %s is that of message %s in %s, want another", msg.Key, msg.Name, net.File))
		}
	}
}

// bindEars binds what the unit hears to what its program hears.
func (m *Unit) bindEars(b *spec.Binder, net *dbc.Network, heard *signal.Table) {
	own, t := &m.spec.Network, &m.talk
	var ok bool
	if t.busOff, ok = heard.Lookup("bus_off"); !ok {
		b.Fail("$.network", errors.New("the program cannot tell that it is bus-off"))
		return
	}
	var hears []broadcast.Hear
	for _, h := range own.Hears {
		x := broadcast.Hear{Message: h.Message, From: h.From, Timeout: h.Timeout.Duration()}
		for _, k := range h.Takes {
			x.Takes = append(x.Takes, broadcast.Take{Signal: k.Signal, As: k.As})
		}
		hears = append(hears, x)
	}
	t.heard = heard
	t.receiver = broadcast.NewReceiver(net, own.Node, hears, heard, func(i int, key, format string, args ...any) {
		b.Fail(fmt.Sprintf("$.network.hears[%d].%s", i, key), fmt.Errorf(format, args...))
	})
}

// Sends lists the identifiers of the periodic messages that the unit sends.
func (m *Unit) Sends() []canbus.Key {
	if m.talk.sender == nil {
		return nil
	}
	return m.talk.sender.Keys()
}

// converse decides whether the unit sends its messages at all: with its supply, booted,
// awake, and as far as services 10 and 28 let it.
func (m *Unit) converse(now time.Duration) {
	t := &m.talk
	if t.sender == nil {
		return
	}
	m.hearken(now)
	on := m.server.Alive(now) && m.server.Talks() && t.wakes(m, now)
	if on == t.sender.Talks() {
		return
	}
	t.sender.Talk(now, on)
	m.speak()
}

// hearken decides whether the unit hears the messages of others: with its supply, booted,
// awake, and as far as service 28 lets it. The programming session's boot software has no
// ears.
func (m *Unit) hearken(now time.Duration) {
	t, s := &m.talk, m.server
	if t.receiver == nil {
		return
	}
	on := s.Alive(now) && s.Hears()
	if on != t.receiver.Listens() {
		t.receiver.Listen(now, on)
	}
	t.receiver.Tick(now)
	t.heard.SetBool(t.busOff, t.sender.BusOff())
}

// wakes reports whether the unit has a reason to be awake, or had one just now.
func (t *talk) wakes(m *Unit, now time.Duration) bool {
	if len(t.awake) == 0 {
		return true
	}
	for i := range t.awake {
		if t.awake[i].Holds(m.readings) {
			t.until = now + m.spec.Network.Linger.Duration()
			return true
		}
	}
	return now < t.until
}

// speak sends what is due and sets the timer.
func (m *Unit) speak() {
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
