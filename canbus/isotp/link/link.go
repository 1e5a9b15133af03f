// Package link binds ISO-TP endpoints to a port of a bus and a loop. A [Mux] is
// the node on the port; each [Link] is one address pair on it, so that an ECU has
// a physical and a functional one on one port, and a tester one for each ECU:
//
//	mux, err := link.Attach(bus, "tester", loop, clock.PriorityTool)
//	ecu, err := mux.Open(isotp.Enhanced(isotp.Normal(0x7E0, 0x7E8)), link.Handlers{
//		OnMessage: func(payload []byte) { ... },
//	})
//	err = ecu.Send([]byte{0x22, 0xF1, 0x90})
package link

import (
	"errors"
	"fmt"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
)

// Retry is how long a frame that the port had no room for waits before it is
// tried again, unless a frame of the node leaves before. N_As bounds the tries.
const Retry = time.Millisecond

// Handlers are called from the loop. All may be nil; each may call Send.
type Handlers struct {
	// OnMessage has a message received. The payload is valid during the call.
	OnMessage func(payload []byte)
	// OnStarted has the length of a segmented message whose first frame came.
	OnStarted func(length int)
	// OnSent tells that the message of Send has left.
	OnSent func()
	// OnFailed tells how a message ended otherwise; receiving tells which way.
	OnFailed func(r isotp.Result, receiving bool)
}

// Mux is a node with endpoints. It belongs to its loop's goroutine.
type Mux struct {
	loop    *clock.Loop
	port    canbus.Port
	timer   *clock.Timer
	links   []*Link
	byRx    map[canbus.Key][]*Link
	std     [(canbus.MaxStandardID + 1) / 64]uint64 // the 11-bit identifiers in byRx
	seq     uint64
	pumping bool
	again   bool
}

// Link is one endpoint on a Mux.
type Link struct {
	mux    *Mux
	ep     *isotp.Endpoint
	h      Handlers
	frame  canbus.Frame // handed out by the endpoint, not confirmed
	state  frameState
	order  uint64 // of handing it to the port
	events isotp.Event
}

type frameState uint8

const (
	none frameState = iota
	held            // the port had no room
	onPort
)

// New returns a Mux for a node that passes its own Receive and Sent on and
// gives the port to Bind.
func New(loop *clock.Loop, p clock.Priority) *Mux {
	m := &Mux{loop: loop, byRx: map[canbus.Key][]*Link{}}
	m.timer = loop.NewTimer(p, m.pump)
	return m
}

// Attach puts a new Mux on the bus as the node of that name.
func Attach(bus canbus.Bus, name string, loop *clock.Loop, p clock.Priority) (*Mux, error) {
	m := New(loop, p)
	port, err := bus.Attach(name, m)
	if err != nil {
		return nil, fmt.Errorf("attach %s: %w", name, err)
	}
	m.Bind(port)
	return m, nil
}

// Bind gives the Mux its port.
func (m *Mux) Bind(port canbus.Port) { m.port = port }

// Port is the port given to Bind, for frames that are not ISO-TP.
func (m *Mux) Port() canbus.Port { return m.port }

// Open adds an endpoint. The error says what is wrong with the configuration.
func (m *Mux) Open(cfg isotp.Config, h Handlers) (*Link, error) {
	ep, err := isotp.New(cfg)
	if err != nil {
		return nil, err
	}
	l := &Link{mux: m, ep: ep, h: h}
	m.links = append(m.links, l)
	if cfg.Rx != isotp.None {
		m.byRx[cfg.Rx] = append(m.byRx[cfg.Rx], l)
		if id := cfg.Rx.ID(); !cfg.Rx.Extended() {
			m.std[id/64] |= 1 << (id % 64)
		}
	}
	return l, nil
}

// Receive implements canbus.Node.
func (m *Mux) Receive(f *canbus.Frame) {
	// Most of what passes on a car's bus is none of ISO-TP.
	if id := f.ID & canbus.MaxStandardID; f.Flags&canbus.Extended == 0 && m.std[id/64]>>(id%64)&1 == 0 {
		return
	}
	ours := false
	for _, l := range m.byRx[f.Key()] {
		ours = l.ep.Receive(m.loop.Now(), f) || ours
	}
	if ours {
		m.pump()
	}
}

// Sent implements canbus.Node: it finds the endpoint that had the frame. Equal
// frames leave in the order in which they were handed over.
func (m *Mux) Sent(f *canbus.Frame) {
	var found *Link
	waiting := false
	for _, l := range m.links {
		waiting = waiting || l.state == held
		if l.state == onPort && same(&l.frame, f) && (found == nil || l.order < found.order) {
			found = l
		}
	}
	if found != nil {
		found.state = none
		found.ep.Sent(m.loop.Now())
	}
	if found != nil || waiting {
		m.pump()
	}
}

func same(a, b *canbus.Frame) bool {
	return a.ID == b.ID && a.Len == b.Len && a.Flags == b.Flags&^canbus.ErrorPassive && a.Data == b.Data
}

// Close ends all messages with GeneralError and closes the port.
func (m *Mux) Close() error {
	for _, l := range m.links {
		l.ep.Reset(m.loop.Now())
	}
	m.pump()
	m.timer.Stop()
	return m.port.Close()
}

// Send takes a message for transmission; it keeps a copy. The errors are those
// of [isotp.Endpoint.Send]; OnSent or OnFailed tells the end.
func (l *Link) Send(payload []byte) error {
	if err := l.ep.Send(l.mux.loop.Now(), payload); err != nil {
		return err
	}
	l.mux.pump()
	return nil
}

// SetReady is [isotp.Endpoint.SetReady].
func (l *Link) SetReady(ready bool) {
	l.ep.SetReady(l.mux.loop.Now(), ready)
	l.mux.pump()
}

// Demand is [isotp.Endpoint.Demand].
func (l *Link) Demand(fn func(usual isotp.Demand) isotp.Demand) { l.ep.Demand(fn) }

// Reset is [isotp.Endpoint.Reset]: an ECU that starts anew.
func (l *Link) Reset() {
	l.ep.Reset(l.mux.loop.Now())
	l.mux.pump()
}

// Endpoint gives access to counters and state; do not drive it.
func (l *Link) Endpoint() *isotp.Endpoint { return l.ep }

// pump lets time pass, tells events, hands frames over and sets the timer. A
// handler that sends makes it go round again instead of nesting.
func (m *Mux) pump() {
	m.again = true
	if m.pumping {
		return
	}
	m.pumping = true
	now := m.loop.Now()
	for m.again {
		m.again = false
		for _, l := range m.links {
			l.ep.Tick(now)
			l.tell()
			l.hand(now)
			l.tell() // of a frame that the port refused
		}
	}
	m.pumping = false
	m.schedule(now)
}

func (l *Link) tell() {
	for l.ep.NextEvent(&l.events) {
		switch ev := &l.events; ev.Kind {
		case isotp.Received:
			if l.h.OnMessage != nil {
				l.h.OnMessage(ev.Payload)
			}
		case isotp.Started:
			if l.h.OnStarted != nil {
				l.h.OnStarted(ev.Length)
			}
		case isotp.Delivered:
			if l.h.OnSent != nil {
				l.h.OnSent()
			}
		case isotp.Failed:
			if l.h.OnFailed != nil {
				l.h.OnFailed(ev.Result, ev.Receiving)
			}
		}
	}
}

// hand gives the endpoint's next frame to the port.
func (l *Link) hand(now time.Duration) {
	switch waiting, stale := l.ep.Unconfirmed(); {
	case l.state != none && !waiting:
		l.state = none // the endpoint has given the frame up
	case l.state == held && stale:
		l.state = none
		l.ep.Lost(now)
	}
	if l.state == none && l.ep.NextFrame(&l.frame) {
		l.state = held
	}
	if l.state != held {
		return
	}
	l.mux.seq++
	l.state, l.order = onPort, l.mux.seq
	switch err := l.mux.port.Send(&l.frame); {
	case err == nil:
	case errors.Is(err, canbus.ErrQueueFull), errors.Is(err, canbus.ErrBusOff):
		l.state = held // until the port has room or N_As is over
	default:
		l.state = none
		l.ep.Lost(now)
	}
}

func (m *Mux) schedule(now time.Duration) {
	at, ok := time.Duration(0), false
	for _, l := range m.links {
		d, set := l.ep.Deadline()
		if l.state == held && (!set || d > now+Retry) {
			d, set = now+Retry, true
		}
		if set && (!ok || d < at) {
			at, ok = d, true
		}
	}
	if !ok {
		m.timer.Stop()
		return
	}
	if m.paced(at) {
		m.timer.SetExact(at)
	} else {
		m.timer.Set(at)
	}
}

// paced reports whether a frame is due at that moment because the other end asked for
// a separation time: it may measure it.
func (m *Mux) paced(at time.Duration) bool {
	for _, l := range m.links {
		if t, ok := l.ep.Paced(); ok && t == at {
			return true
		}
	}
	return false
}
