package unit

import (
	"fmt"
	"math/rand/v2"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/server"
	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp/link"
	"sawhorse/dbc"
)

// Specs are the descriptions of a car's units, read once for all cars of that spec.
func Specs(c *car.Spec) ([]*spec.Unit, error) { return spec.Of(c, server.Vocabulary()) }

// Parts are what a unit is made of besides its description.
type Parts struct {
	// Readings is what the unit's program knows of the car.
	Readings *signal.Table
	Memory   *dtc.Memory
	NV       *nv.Memory
	// Application may be nil.
	Application server.Application
	// Network has the messages of the bus, of which the unit sends its own; nil sends
	// none.
	Network *dbc.Network
	// Heard is what the unit's program hears of others by the network; nil hears
	// nothing. It has a signal bus_off beside those that the description names.
	Heard *signal.Table
	// Routed are messages of the unit's node that a gateway makes of others.
	Routed []string
	// FD says that the unit's bus has CAN FD.
	FD bool
	// Rand gives seeds and processing times.
	Rand *rand.Rand
}

// Unit is one control unit on a bus: its server with ISO-TP under it (ISO 15765-4:
// padded to eight bytes, emission timing), its supply, and the cycles of its
// code memory. It is a node of the bus and belongs to the loop.
type Unit struct {
	spec     *spec.Unit
	server   *server.Server
	mem      *dtc.Memory
	nv       *nv.Memory
	readings *signal.Table
	loop     *clock.Loop
	timer    *clock.Timer

	mux      *link.Mux
	physical *link.Link
	shared   *link.Link
	// outbox holds answers that wait for the transport to be free.
	outbox      [][]byte
	alterations []*alteration
	dipUntil    time.Duration // the supply is away until then
	talk        talk
	overhear    func(f *canbus.Frame)

	on             bool
	powered, cycle spec.Bound
	observer       *dtc.Observer
	failures       int
	demands        int // how often others told the transport what to ask for
}

// New puts a unit on the bus under its name. Call Step in every step of the bench. The
// error names the place in the description of a reading that the unit lacks, or is the
// bus's.
func New(loop *clock.Loop, bus canbus.Bus, u *spec.Unit, p Parts) (*Unit, error) {
	s, err := server.New(u, server.Parts{Readings: p.Readings, Memory: p.Memory, NV: p.NV, Application: p.Application, Rand: p.Rand})
	if err != nil {
		return nil, err
	}
	m := &Unit{spec: u, server: s, mem: p.Memory, nv: p.NV, readings: p.Readings, loop: loop}
	if err := m.bind(p); err != nil {
		return nil, err
	}
	m.timer = loop.NewTimer(clock.PriorityECU, func() { m.pump(loop.Now()) })
	m.mux = link.New(loop, clock.PriorityECU)
	if err := m.open(p.FD); err != nil {
		return nil, fmt.Errorf("unit %s: %w", u.Name, err)
	}
	port, err := bus.Attach(u.Name, m)
	if err != nil {
		return nil, fmt.Errorf("unit %s: %w", u.Name, err)
	}
	m.mux.Bind(port)
	return m, nil
}

func (m *Unit) bind(p Parts) error {
	b := spec.NewBinder(m.spec, m.readings, m.nv)
	m.powered = b.Condition("$.power.powered", &m.spec.Power.Powered)
	m.cycle = b.Condition("$.power.cycle", &m.spec.Power.Cycle)
	m.observer = dtc.NewObserver(b, m.spec)
	if err := m.bindTalk(b, p); err != nil {
		return err
	}
	return b.Err()
}

// Overhear has fn get every frame that the unit receives while it is alive.
func (m *Unit) Overhear(fn func(f *canbus.Frame)) { m.overhear = fn }

// Alive reports whether the unit has its supply and has booted.
func (m *Unit) Alive() bool { return m.server.Alive(m.loop.Now()) }

// Name is the unit's name.
func (m *Unit) Name() string { return m.spec.Name }

// Boot reports whether only the unit's boot program runs.
func (m *Unit) Boot() bool { return m.server.Boot() }

// Spec is the unit's description.
func (m *Unit) Spec() *spec.Unit { return m.spec }

// Server is the unit's diagnostic server.
func (m *Unit) Server() *server.Server { return m.server }

// Memory is the unit's code memory.
func (m *Unit) Memory() *dtc.Memory { return m.mem }

// NV is the unit's non-volatile memory.
func (m *Unit) NV() *nv.Memory { return m.nv }

// Readings is what the unit's program knows of the car.
func (m *Unit) Readings() *signal.Table { return m.readings }

// Port is the unit's place on the bus, for its normal messages.
func (m *Unit) Port() canbus.Port { return m.mux.Port() }

// Failures counts messages that transport gave up.
func (m *Unit) Failures() int { return m.failures }

// Receive implements canbus.Node: a unit without supply, or booting, is deaf.
func (m *Unit) Receive(f *canbus.Frame) {
	now := m.loop.Now()
	if !m.server.Alive(now) {
		return
	}
	if m.talk.receiver != nil {
		m.talk.receiver.Receive(now, f)
	}
	if m.overhear != nil {
		m.overhear(f)
	}
	m.mux.Receive(f)
}

// Sent implements canbus.Node.
func (m *Unit) Sent(f *canbus.Frame) {
	if m.talk.sender == nil || !m.talk.sender.Sent(f) {
		m.mux.Sent(f)
	}
}

// Step takes the unit's supply, cycles, routines and timers on. The readings
// must be those of this moment.
func (m *Unit) Step(now time.Duration) {
	on := m.powered.Holds(m.readings) && now >= m.dipUntil
	cycle := on && m.cycle.Holds(m.readings)
	// Routines see the turned key before the supply goes with it: that is how
	// a learn that needs the key cycled comes to its end.
	m.server.Tick(now)
	if !cycle {
		m.mem.EndCycle()
	}
	if on != m.on {
		m.on = on
		m.server.Power(now, on)
	}
	if cycle {
		m.mem.BeginCycle()
		m.mem.Enable(now)
		m.mem.Observe(now, m.observer.Vehicle())
	}
	m.pump(now)
	m.converse(now)
}

// DropSession has the unit fall back to its default session, as after a fault of
// its own.
func (m *Unit) DropSession() { m.server.DropSession() }

// Dip takes the unit's supply for so long: it forgets what it was doing, also in
// the middle of an answer, and boots.
func (m *Unit) Dip(d time.Duration) {
	now := m.loop.Now()
	m.dipUntil = now + max(d, time.Millisecond)
	m.server.Power(now, false)
	m.on = false
	m.silence()
	m.schedule()
}
