package ecu

import (
	"errors"
	"fmt"
	"time"

	"sawhorse/bench/signal"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/isotp/link"
)

// Module is one unit on a bus: its server with ISO-TP under it (ISO 15765-4:
// padded to eight bytes, emission timing), its supply, and the cycles of its
// code memory. It is a node of the bus and belongs to the loop.
type Module struct {
	spec     *Spec
	server   *Server
	mem      *Memory
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
	powered, cycle rule
	running        *rule
	rpm, load      *signal.Ref
	idle           []rule
	coolant, kmh   *signal.Ref
	ambient, baro  *signal.Ref
	failures       int
}

// NewModule puts a unit on the bus under its spec's name. Call Step in every
// step of the bench. The error names the place in the spec of a reading that
// the unit lacks, or is the bus's.
func NewModule(loop *clock.Loop, bus canbus.Bus, spec *Spec, p Parts) (*Module, error) {
	server, err := NewServer(spec, p)
	if err != nil {
		return nil, err
	}
	m := &Module{spec: spec, server: server, mem: p.Memory, readings: p.Readings, loop: loop}
	if err := m.bind(p); err != nil {
		return nil, err
	}
	m.timer = loop.NewTimer(clock.PriorityECU, func() { m.pump(loop.Now()) })
	m.mux = link.New(loop, clock.PriorityECU)
	if err := m.open(p.FD); err != nil {
		return nil, fmt.Errorf("unit %s: %w", spec.Name, err)
	}
	port, err := bus.Attach(spec.Name, m)
	if err != nil {
		return nil, fmt.Errorf("unit %s: %w", spec.Name, err)
	}
	m.mux.Bind(port)
	return m, nil
}

func (m *Module) bind(p Parts) error {
	b := &binder{doc: m.spec.doc, t: m.readings, nv: m.server.nv}
	m.powered = b.rule("$.power.powered", &m.spec.Power.Powered)
	m.cycle = b.rule("$.power.cycle", &m.spec.Power.Cycle)
	mem := &m.spec.Memory
	if mem.Running != nil {
		r := b.rule("$.memory.running", mem.Running)
		m.running = &r
	}
	m.idle = b.rules("$.memory.idle", mem.Idle)
	for _, x := range []struct {
		at   **signal.Ref
		name string
		key  string
	}{{&m.coolant, mem.CoolantC, "coolant"}, {&m.kmh, mem.Kmh, "speed"}, {&m.ambient, mem.AmbientC, "ambient"}, {&m.baro, mem.BaroKPa, "baro"}} {
		if x.name != "" {
			r := b.ref("$.memory."+x.key, x.name)
			*x.at = &r
		}
	}
	if like := mem.Similar; like != nil {
		rpm, load := b.ref("$.memory.similar.rpm", like.RPM), b.ref("$.memory.similar.load", like.Load)
		m.rpm, m.load = &rpm, &load
	}
	m.bindTalk(b, p)
	return b.err
}

// open makes the endpoints: the physical pair, and the shared identifier that
// is only listened to.
func (m *Module) open(fd bool) error {
	a := m.spec.Addresses
	request, response := canbus.KeyOf(a.Request, a.Extended), canbus.KeyOf(a.Response, a.Extended)
	cfg := Transport(isotp.Normal(response, request), fd)
	cfg.BlockSize, cfg.STmin = m.spec.Timing.BlockSize, m.spec.Timing.STmin
	var err error
	m.physical, err = m.mux.Open(cfg, link.Handlers{
		OnMessage: func(req []byte) { m.request(false, req) },
		OnStarted: func(int) { m.server.Touch(m.loop.Now()) },
		OnSent:    m.sent,
		OnFailed: func(_ isotp.Result, receiving bool) {
			m.failures++
			if !receiving {
				m.sent()
			}
		},
	})
	if err != nil || a.Functional == nil {
		return err
	}
	shared := isotp.Functional(canbus.KeyOf(*a.Functional, a.Extended)).Reverse()
	m.shared, err = m.mux.Open(Transport(shared, fd), link.Handlers{
		OnMessage: func(req []byte) { m.request(true, req) },
	})
	return err
}

// Transport is how a unit sends diagnostic messages: by the rules of emission
// diagnostics (ISO 15765-4), or on a bus with CAN FD in frames of up to 64 bytes at the
// higher bit rate (ISO 15765-2:2016 clause 9.5).
func Transport(a isotp.Address, fd bool) isotp.Config {
	if !fd {
		return isotp.Emission(a)
	}
	cfg := isotp.Enhanced(a)
	cfg.FD, cfg.BRS, cfg.TxDL = true, true, canbus.MaxData
	return cfg
}

// Open adds an endpoint to the unit's port, for a gateway.
func (m *Module) Open(cfg isotp.Config, h link.Handlers) (*link.Link, error) {
	return m.mux.Open(cfg, h)
}

// Overhear has fn get every frame that the unit receives while it is alive.
func (m *Module) Overhear(fn func(f *canbus.Frame)) { m.overhear = fn }

// Alive reports whether the unit has its supply and has booted.
func (m *Module) Alive() bool { return m.server.Alive(m.loop.Now()) }

// Name is the unit's name.
func (m *Module) Name() string { return m.spec.Name }

// Boot reports whether only the unit's boot program runs.
func (m *Module) Boot() bool { return m.server.boot }

// Spec, Server, Memory and NV give the unit's parts.
func (m *Module) Spec() *Spec { return m.spec }

// Server is the unit's diagnostic server.
func (m *Module) Server() *Server { return m.server }

// Memory is the unit's code memory.
func (m *Module) Memory() *Memory { return m.mem }

// NV is the unit's non-volatile memory.
func (m *Module) NV() *NV { return m.server.nv }

// Readings is what the unit's program knows of the car.
func (m *Module) Readings() *signal.Table { return m.readings }

// Port is the unit's place on the bus, for its normal messages.
func (m *Module) Port() canbus.Port { return m.mux.Port() }

// Failures counts messages that transport gave up.
func (m *Module) Failures() int { return m.failures }

// Receive implements canbus.Node: a unit without supply, or booting, is deaf.
func (m *Module) Receive(f *canbus.Frame) {
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
func (m *Module) Sent(f *canbus.Frame) {
	if m.talk.sender == nil || !m.talk.sender.Sent(f) {
		m.mux.Sent(f)
	}
}

// Step takes the unit's supply, cycles, routines and timers on. The readings
// must be those of this moment.
func (m *Module) Step(now time.Duration) {
	on := m.powered.holds(m.readings) && now >= m.dipUntil
	cycle := on && m.cycle.holds(m.readings)
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
		m.mem.enable(now)
		m.mem.Observe(now, m.vehicle())
	}
	m.pump(now)
	m.converse(now)
}

// The weather of a unit that has no reading of it (ISO 2533, sea level).
const (
	mildC  = 15
	seaKPa = 101.325
)

func (m *Module) vehicle() Vehicle {
	v := Vehicle{Running: true, AmbientC: mildC, BaroKPa: seaKPa}
	if m.running != nil {
		v.Running = m.running.holds(m.readings)
	}
	v.Idle = v.Running && len(m.idle) > 0 && broken(m.idle, m.readings) == nil
	if m.coolant != nil {
		v.CoolantC = m.readings.Get(*m.coolant)
	}
	if m.kmh != nil {
		v.Kmh = m.readings.Get(*m.kmh)
	}
	if m.ambient != nil {
		v.AmbientC = m.readings.Get(*m.ambient)
	}
	if m.baro != nil {
		v.BaroKPa = m.readings.Get(*m.baro)
	}
	if m.rpm != nil {
		v.RPM, v.LoadPct = m.readings.Get(*m.rpm), m.readings.Get(*m.load)
	}
	return v
}

func (m *Module) request(functional bool, req []byte) {
	m.server.Request(m.loop.Now(), functional, req)
	m.pump(m.loop.Now())
}

// sent is the end of one answer: the next may go.
func (m *Module) sent() {
	if len(m.outbox) == 0 {
		m.server.Sent(m.loop.Now())
	}
	m.pump(m.loop.Now())
}

// pump lets the server's time pass, hands its answers to transport one after
// the other, and sets the timer.
func (m *Module) pump(now time.Duration) {
	m.server.Tick(now)
	if !m.server.Alive(now) {
		m.silence()
		m.schedule()
		return
	}
	for {
		a, ok := m.server.NextResponse()
		if !ok {
			break
		}
		m.post(a)
	}
	for len(m.outbox) > 0 {
		err := m.physical.Send(m.outbox[0])
		if errors.Is(err, isotp.ErrBusy) {
			break
		}
		if err != nil {
			m.failures++
		}
		m.outbox = append(m.outbox[:0], m.outbox[1:]...)
	}
	m.schedule()
}

// silence drops what was being sent and received: power or reset has ended it.
func (m *Module) silence() {
	m.outbox = m.outbox[:0]
	if !m.physical.Endpoint().Idle() {
		m.physical.Reset()
	}
}

func (m *Module) schedule() {
	if at, ok := m.server.Deadline(); ok {
		m.timer.Set(at)
	} else {
		m.timer.Stop()
	}
}
