// Package gateway is what a gateway unit does between two buses of a car: it passes
// diagnostic messages on to the units of the far bus and their answers back, and
// sends messages of one bus again on the other.
//
// Diagnostic messages are put together on one side and taken apart anew on the other
// (ISO 15765-2), because the frames of the two buses hold different lengths: 8 bytes
// on classical CAN, 64 on CAN FD. A unit of the far bus keeps its identifiers.
//
// A message is passed on signal by signal, by equal names, in the layout that the other
// network's file gives it, with a counter and checksum of its own; one whose checksum
// is wrong is not passed on, so that the other side misses it.
//
// On the near bus the gateway works through its unit's own port, and only while that
// unit is alive.
package gateway

import (
	"errors"
	"fmt"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/ecu/spec"
	ecu "sawhorse/bench/ecu/unit"
	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/isotp/link"
	"sawhorse/dbc"
)

// maxWaiting bounds the diagnostic messages that wait on one side; what comes beyond
// is dropped and counted.
const maxWaiting = 8

// silentAfter is how long a far unit may be silent before the gateway's is told.
const silentAfter = 500 * time.Millisecond

// Parts are what a gateway joins.
type Parts struct {
	Spec *car.GatewaySpec
	// Unit is the gateway's own, on the near bus.
	Unit *ecu.Unit
	// Far is the far bus, Units those that sit on it.
	Far   canbus.Bus
	Units []*spec.Unit
	// FarFD says that the far bus has CAN FD.
	FarFD bool
	// Networks are what the near and the far bus's files say.
	Near, FarNet *dbc.Network
	// Heard is what the unit's program hears; the silence of a far unit is told there as
	// the signal NAME_lost, if the program has one.
	Heard *signal.Table
}

// Gateway joins two buses. It belongs to the loop.
type Gateway struct {
	loop  *clock.Loop
	unit  *ecu.Unit
	far   *link.Mux
	there map[canbus.Key]*route // from the near bus to the far one
	back  map[canbus.Key]*route
	heard *signal.Table
	units []farUnit
	own   map[canbus.Key]int // periodic messages of far units, by their place in units
	stats Stats
}

// farUnit is a unit of the far bus whose silence the gateway's program is told.
type farUnit struct {
	lost signal.Ref
	last time.Duration // a message of it
}

// Stats count what a gateway did.
type Stats struct {
	// Messages were passed on, Refused had a wrong checksum, Diagnostic are diagnostic
	// messages passed on, Dropped those that found the way occupied.
	Messages, Refused, Diagnostic, Dropped int
}

// route is one message with its copy on the other bus.
type route struct {
	from, to *dbc.Codec
	frame    canbus.Frame
	pairs    [][2]int // signals
	count    uint64
	send     func(f *canbus.Frame) error
}

// New joins the buses. The error is that of a configuration or of the bus.
func New(loop *clock.Loop, p Parts) (*Gateway, error) {
	g := &Gateway{loop: loop, unit: p.Unit, heard: p.Heard, own: map[canbus.Key]int{},
		there: map[canbus.Key]*route{}, back: map[canbus.Key]*route{}}
	g.far = link.New(loop, clock.PriorityECU)
	port, err := p.Far.Attach(p.Unit.Name(), g)
	if err != nil {
		return nil, fmt.Errorf("gateway %s: %w", p.Unit.Name(), err)
	}
	g.far.Bind(port)
	for _, u := range p.Units {
		if err := g.join(u, p.FarFD); err != nil {
			return nil, fmt.Errorf("gateway %s: unit %s: %w", p.Unit.Name(), u.Name, err)
		}
		ref, ok := p.Heard.Lookup(u.Name + "_lost")
		if !ok || p.FarNet == nil {
			continue
		}
		for _, m := range p.FarNet.Messages {
			if m.Sender == u.Network.Node {
				g.own[m.Key] = len(g.units)
			}
		}
		g.units = append(g.units, farUnit{lost: ref})
	}
	for _, r := range p.Spec.Routes {
		table, from, to, send := g.there, p.Near, p.FarNet, port.Send
		if r.To == p.Spec.Near {
			table, from, to, send = g.back, p.FarNet, p.Near, p.Unit.Port().Send
		}
		a, _ := from.MessageNamed(r.Message) // checked with the car
		b, _ := to.MessageNamed(r.Target())
		table[a.Key] = newRoute(a, b, send)
	}
	p.Unit.Overhear(func(f *canbus.Frame) { g.pass(g.there, f) })
	return g, nil
}

func newRoute(a, b *dbc.Message, send func(*canbus.Frame) error) *route {
	r := &route{from: a.Codec(), to: b.Codec(), frame: b.Codec().Frame(), send: send}
	for i, s := range b.Signals {
		if s.Counter == nil && s.Checksum == nil {
			r.pairs = append(r.pairs, [2]int{a.Index(s.Name), i})
		}
	}
	return r
}

// pass sends a message again on the other bus.
func (g *Gateway) pass(table map[canbus.Key]*route, f *canbus.Frame) {
	r, ok := table[f.Key()]
	if !ok || int(f.Len) < r.from.Message().Length {
		return
	}
	if _, _, sound := r.from.Verify(f); !sound {
		g.stats.Refused++
		return
	}
	out := r.frame
	for _, p := range r.pairs {
		r.to.SetRaw(&out, p[1], r.from.Raw(f, p[0]))
	}
	r.to.Count(&out, r.count)
	r.to.Seal(&out)
	if r.send(&out) == nil {
		r.count++
		g.stats.Messages++
	}
}

// join passes the diagnostic messages of a far unit on.
func (g *Gateway) join(u *spec.Unit, fd bool) error {
	a := u.Addresses
	request, response := canbus.KeyOf(a.Request, a.Extended), canbus.KeyOf(a.Response, a.Extended)
	var near, far *pipe
	farLink, err := g.far.Open(ecu.Transport(isotp.Normal(request, response), fd), link.Handlers{
		OnMessage: func(p []byte) { near.put(p) },
		OnSent:    func() { far.next() },
		OnFailed:  func(_ isotp.Result, receiving bool) { far.failed(receiving) },
	})
	if err != nil {
		return err
	}
	nearLink, err := g.unit.Open(isotp.Enhanced(isotp.Normal(response, request)), link.Handlers{
		OnMessage: func(p []byte) { far.put(p) },
		OnSent:    func() { near.next() },
		OnFailed:  func(_ isotp.Result, receiving bool) { near.failed(receiving) },
	})
	if err != nil {
		return err
	}
	near, far = &pipe{g: g, link: nearLink}, &pipe{g: g, link: farLink}
	if a.Functional == nil {
		return nil
	}
	shared := canbus.KeyOf(*a.Functional, a.Extended)
	all, err := g.far.Open(ecu.Transport(isotp.Functional(shared), fd), link.Handlers{})
	if err != nil {
		return err
	}
	_, err = g.unit.Open(isotp.Emission(isotp.Functional(shared).Reverse()), link.Handlers{
		OnMessage: func(p []byte) {
			if all.Send(p) == nil {
				g.stats.Diagnostic++
			}
		},
	})
	return err
}

// pipe is one way of a unit's diagnostic messages, one after the other.
type pipe struct {
	g       *Gateway
	link    *link.Link
	waiting [][]byte
}

func (p *pipe) put(payload []byte) {
	if len(p.waiting) >= maxWaiting {
		p.g.stats.Dropped++
		return
	}
	p.waiting = append(p.waiting, append([]byte(nil), payload...))
	p.next()
}

func (p *pipe) next() {
	for len(p.waiting) > 0 {
		err := p.link.Send(p.waiting[0])
		if errors.Is(err, isotp.ErrBusy) {
			return
		}
		if err == nil {
			p.g.stats.Diagnostic++
		}
		p.waiting = p.waiting[1:]
	}
}

func (p *pipe) failed(receiving bool) {
	if !receiving {
		p.next()
	}
}

// Receive implements canbus.Node, on the far bus.
func (g *Gateway) Receive(f *canbus.Frame) {
	if !g.unit.Alive() {
		return
	}
	if i, ok := g.own[f.Key()]; ok && !f.Has(canbus.Error) {
		g.units[i].last = g.loop.Now()
	}
	g.pass(g.back, f)
	g.far.Receive(f)
}

// Sent implements canbus.Node, on the far bus.
func (g *Gateway) Sent(f *canbus.Frame) { g.far.Sent(f) }

// Step tells the unit's program which far units are silent. Call it in every step of
// the bench.
func (g *Gateway) Step(now time.Duration) {
	alive := g.unit.Alive()
	for i := range g.units {
		u := &g.units[i]
		if !alive {
			u.last = now
		}
		g.heard.SetBool(u.lost, now-u.last > silentAfter)
	}
}

// Stats are what the gateway did.
func (g *Gateway) Stats() Stats { return g.stats }
