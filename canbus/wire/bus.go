package wire

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// Bus is one embedded CAN network. It implements canbus.Bus.
type Bus struct {
	loop          *clock.Loop
	name          string
	cfg           Config
	nominal, fast rate
	names         map[string]*Port
	ports         []*Port // attached ones in order
	taps          []func(canbus.Sighting)
	hooks         []*hook
	main          *segment // where the tap listens
	part          *segment // the other side of a cut, or nil
	wiring        Wiring
	stats         Stats
}

var (
	_ canbus.Bus  = (*Bus)(nil)
	_ canbus.Port = (*Port)(nil)
)

// New returns a bus without nodes. The error names the setting that is wrong.
func New(loop *clock.Loop, name string, cfg Config) (*Bus, error) {
	cfg = cfg.withDefaults()
	if err := cfg.validate(); err != nil {
		return nil, fmt.Errorf("bus %q: %w", name, err)
	}
	b := &Bus{
		loop: loop, name: name, cfg: cfg, names: make(map[string]*Port),
		nominal: newRate(cfg.BitRate), fast: newRate(cfg.DataBitRate),
	}
	b.main = b.newSegment()
	return b, nil
}

// Config is the bus's settings, defaults filled in.
func (b *Bus) Config() Config { return b.cfg }

// Attach puts a node on the bus, awake and idle; the port is a *Port.
func (b *Bus) Attach(name string, n canbus.Node) (canbus.Port, error) {
	if name == "" || n == nil {
		return nil, fmt.Errorf("bus %q: a node needs a name and something behind it", b.name)
	}
	if _, taken := b.names[name]; taken {
		return nil, fmt.Errorf("bus %q: there is a node %q already", b.name, name)
	}
	p := &Port{bus: b, name: name, node: n, home: b.main, q: queue{limit: b.cfg.Queue}}
	p.back = b.loop.NewTimer(clock.PriorityBus, p.recoveryDue)
	p.request = b.loop.NewTimer(clock.PriorityBus, func() { _ = p.Recover() })
	b.names[name] = p
	b.ports = append(slices.DeleteFunc(b.ports, func(p *Port) bool { return p.closed }), p)
	b.main.add(p)
	return p, nil
}

// Port finds a node's port.
func (b *Bus) Port(name string) (*Port, bool) {
	p, ok := b.names[name]
	return p, ok
}

// State is the fault confinement of a node; false if there is none of that name.
func (b *Bus) State(name string) (Confinement, bool) {
	p, ok := b.names[name]
	if !ok {
		return Confinement{}, false
	}
	return p.Confinement(), true
}

// Stats is what a bus has counted since it was made. A bit of intermission
// belongs to the frame before it, so back-to-back frames make a load of 1.
type Stats struct {
	Frames uint64        // that passed well
	Bits   uint64        // of those, stuffing included, from SOF to EOF
	Errors uint64        // error frames
	Busy   time.Duration // the wire was occupied by frames, error frames and intermissions
	Load   float64       // occupied share of the last window, 0 to 1
	Total  float64       // occupied share of the whole time
	Ports  []PortStats   // in the order of attachment
}

// PortStats is what one port has counted.
type PortStats struct {
	Name            string
	Sent            uint64 // frames acknowledged
	Received        uint64 // frames received well
	TxErrors        uint64 // tries that failed
	RxErrors        uint64 // frames seen failing
	LostArbitration uint64
	QueueFull       uint64 // refused with canbus.ErrQueueFull
	Refused         uint64 // refused with canbus.ErrBusOff
	Dropped         uint64 // queued frames lost at bus-off or Close
	BusOffs         uint64
	Queued          int
	Plugged         bool
	Confinement     Confinement
}

// Stats reads the counters.
func (b *Bus) Stats() Stats {
	s, now := b.stats, b.loop.Now()
	s.Busy = b.Busy()
	s.Load = b.main.meter.load(now)
	if now > 0 {
		s.Total = float64(s.Busy) / float64(now)
	}
	for _, p := range b.ports {
		if !p.closed {
			s.Ports = append(s.Ports, p.Stats())
		}
	}
	return s
}

// Load is the occupied share of the last window, 0 to 1, as in
// Stats.
func (b *Bus) Load() float64 { return b.main.meter.load(b.loop.Now()) }

// Busy is how long the wire has been occupied up to now, exactly: its rate is the
// bus load.
func (b *Bus) Busy() time.Duration { return b.main.meter.at(b.loop.Now()) }
