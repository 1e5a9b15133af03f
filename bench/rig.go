package bench

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu"
	"sawhorse/bench/ecu/app"
	"sawhorse/bench/ecu/gateway"
	"sawhorse/bench/judge"
	"sawhorse/bench/metrics"
	"sawhorse/bench/trace"
	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/busurl"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/hub"
	"sawhorse/canbus/replay"
	"sawhorse/canbus/socketcan"
	"sawhorse/canbus/wire"
)

// sampleStep is how often conditions on signals are looked at.
const sampleStep = 20 * time.Millisecond

// loadStep is how often the bus load is published.
const loadStep = 100 * time.Millisecond

// Settings say where a car stands.
type Settings struct {
	// Car is the name of a built-in car.
	Car string
	// Seed is the root of all chance.
	Seed chance.Seed
	// Wall runs in wall time; else time jumps.
	Wall bool
	// Bus is the bus's URL, "" for mem:. Rate and DataRate are the bit rates of
	// an embedded one in bit/s, 0 for those of the car.
	Bus            string
	Rate, DataRate int
	// Arm names a physical interface that may be sent on.
	Arm string
	// Networks is the folder in which relative names of .dbc files begin, "" for
	// the present one.
	Networks string
	// Metrics and Log may be nil.
	Metrics *metrics.Set
	Log     *slog.Logger
}

// Rig is a stand-in car on a bus: what a run and the daemon have in common.
type Rig struct {
	Loop    *clock.Loop
	Bus     canbus.Bus
	Car     *car.Car
	Metrics *metrics.Set

	log      *slog.Logger
	altered  *alter.Bus  // what nodes attach to: the bus as faults alter it
	wire     *wire.Bus   // the embedded bus behind; nil on a Linux interface
	far      []*wire.Bus // the car's other buses, always embedded
	gateways []*gateway.Gateway
	alter    *alteration
	networks networks
	hub      *hub.Server
	units    []*unit
	faults   *faultBoard
	watch    *watch
	// addresses are where the ECUs are spoken to.
	addresses []address
	cable     *cable // nil on a Linux interface
	// close holds what must be undone, the last first.
	close []func() error
	// each is called after every step of the car.
	each []func(now time.Duration)
}

// unit is one ECU: its diagnostic module and its program.
type unit struct {
	module  *ecu.Module
	program app.Program
}

// NewRig puts the car on the bus, key off. Close it.
func NewRig(s Settings) (_ *Rig, err error) {
	r := &Rig{log: s.Log, Metrics: s.Metrics}
	if r.log == nil {
		r.log = slog.New(slog.DiscardHandler)
	}
	if r.Metrics == nil {
		r.Metrics = metrics.New()
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, r.Close())
		}
	}()
	if r.Loop, err = newLoop(s.Wall); err != nil {
		return nil, err
	}
	spec, err := car.Find(s.Car)
	if err != nil {
		return nil, err
	}
	r.Car = car.New(spec, s.Seed)
	specs, err := ecu.SpecsOf(spec)
	if err != nil {
		return nil, err
	}
	own := ownNodes(nodeNames(specs)...)
	bus := &spec.Buses[0] // the one at the diagnostic connector
	if s.Rate == 0 {
		s.Rate = bus.BitRate
	}
	if s.DataRate == 0 {
		s.DataRate = bus.DataBitRate
	}
	if err := r.openBus(s, own); err != nil {
		return nil, err
	}
	r.networks = networks{own: bus.Network(), folder: s.Networks}
	r.alter = &alteration{rig: r, seed: s.Seed, own: own, names: nodeNames(specs)}
	r.addresses = addresses(specs)
	r.watch = newWatch(r.addresses, r.Metrics, own)
	r.Bus.Tap(r.watch.see)
	if err := r.openFar(spec); err != nil {
		return nil, err
	}
	if err := r.build(spec, specs, s.Seed); err != nil {
		return nil, err
	}
	if err := r.bridge(spec, specs); err != nil {
		return nil, err
	}
	r.faults = newFaultBoard(r)
	r.startClock()
	return r, nil
}

func newLoop(wall bool) (*clock.Loop, error) {
	if !wall {
		return clock.NewVirtual(), nil
	}
	return clock.NewWall()
}

// openBus makes the bus of the URL: an interface is the kernel's, anything else
// is the embedded one, which unix: opens to other processes.
func (r *Rig) openBus(s Settings, own func(string) bool) error {
	url := s.Bus
	if url == "" {
		url = "mem:"
	}
	kind, target, err := busurl.Parse(url)
	if err != nil {
		return err
	}
	if kind != busurl.Mem && !s.Wall {
		return fmt.Errorf("bus %s: other processes live in wall time, want mem: in virtual time", url)
	}
	if kind == busurl.CAN {
		b, err := socketcan.Open(target, r.Loop, socketcan.Options{
			Armed: s.Arm == target, FD: true, OnState: func(message string) { r.log.Warn(message) },
		})
		if err != nil {
			return err
		}
		r.join(b)
		r.defend(b.Close)
		return nil
	}
	// A controller that fell silent comes back by itself, as ECUs have it do.
	r.wire, err = wire.New(r.Loop, "can0", wire.Config{BitRate: s.Rate, DataBitRate: s.DataRate, RecoverAfter: 100 * time.Millisecond})
	if err != nil {
		return err
	}
	r.join(r.wire)
	r.cable = &cable{wire: r.wire, own: own}
	if kind == busurl.Unix {
		r.hub, err = hub.Listen(target, r.Loop, r.Bus, hub.Options{
			OnJoin: func(name string) {
				r.cable.join(name)
				r.log.Info("a client has joined the bus", "client", name)
			},
			OnLeave: func(name string) {
				r.cable.leave(name)
				r.log.Info("a client has left the bus", "client", name)
			},
			OnDrop: func(name, reason string) {
				r.cable.leave(name)
				r.log.Warn("a client was put off the bus", "client", name, "reason", reason)
			},
		})
		if err != nil {
			return err
		}
		r.defend(r.hub.Close)
	}
	return nil
}

// join puts the layer in which frames are altered around a bus.
func (r *Rig) join(b canbus.Bus) {
	r.altered = alter.Wrap(r.Loop, b)
	r.Bus = r.altered
}

// openFar makes the car's buses behind its gateways. What goes by there is recorded
// and nothing more: a tool at the connector does not see it.
func (r *Rig) openFar(spec *car.Spec) error {
	for i := range spec.Buses[1:] {
		b := &spec.Buses[i+1]
		w, err := wire.New(r.Loop, b.Name, wire.Config{BitRate: b.BitRate, DataBitRate: b.DataBitRate, RecoverAfter: 100 * time.Millisecond})
		if err != nil {
			return fmt.Errorf("bus %s: %w", b.Name, err)
		}
		w.Tap(func(s canbus.Sighting) { r.watch.seeFar(uint8(i+1), s) })
		r.far = append(r.far, w)
	}
	return nil
}

// side is the bus of the car on which a unit sits.
func (r *Rig) side(spec *car.Spec, s *ecu.Spec) (canbus.Bus, *car.BusSpec, error) {
	b, err := s.BusOf(spec)
	if err != nil {
		return nil, nil, err
	}
	for i := range spec.Buses[1:] {
		if b == &spec.Buses[i+1] {
			return r.far[i], b, nil
		}
	}
	return r.Bus, b, nil
}

// bridge sets the car's gateways to work.
func (r *Rig) bridge(spec *car.Spec, specs []*ecu.Spec) error {
	for i := range spec.Gateways {
		s := &spec.Gateways[i]
		u := r.unit(s.Unit)
		if u == nil {
			return fmt.Errorf("car %s: gateway %q is none of its units, want one of %s", spec.Name, s.Unit, strings.Join(r.titles(), ", "))
		}
		near, _ := spec.Bus(s.Near)
		if b, err := u.module.Spec().BusOf(spec); err != nil || b != near {
			return fmt.Errorf("car %s: the gateway %s does not sit on the bus %s", spec.Name, s.Unit, s.Near)
		}
		p := gateway.Parts{Spec: s, Unit: u.module, Near: near.Network(), Heard: u.program.Heard()}
		for k := range spec.Buses[1:] {
			if b := &spec.Buses[k+1]; b.Name == s.Far {
				p.Far, p.FarFD, p.FarNet = r.far[k], b.DataBitRate > 0, b.Network()
			}
		}
		for _, x := range specs {
			if b, err := x.BusOf(spec); err == nil && b.Name == s.Far {
				p.Units = append(p.Units, x)
			}
		}
		g, err := gateway.New(r.Loop, p)
		if err != nil {
			return err
		}
		r.gateways = append(r.gateways, g)
		r.each = append(r.each, g.Step)
	}
	return nil
}

// unit finds a control unit; nil without.
func (r *Rig) unit(name string) *unit {
	for _, u := range r.units {
		if u.module.Name() == name {
			return u
		}
	}
	return nil
}

// routed lists the messages that gateways make on a bus.
func routed(spec *car.Spec, bus string) []string {
	var names []string
	for i := range spec.Gateways {
		for k := range spec.Gateways[i].Routes {
			if x := &spec.Gateways[i].Routes[k]; x.To == bus {
				names = append(names, x.Target())
			}
		}
	}
	return names
}

// build makes the ECUs.
func (r *Rig) build(spec *car.Spec, specs []*ecu.Spec, seed chance.Seed) error {
	learned, err := app.LearnedValues(spec)
	if err != nil {
		return err
	}
	for _, s := range specs {
		mem, nv := ecu.NewMemory(s), ecu.NewNV(s, ecu.IdentityOf(&spec.Identity, s.Name))
		for _, l := range learned {
			if l.ECU == s.Name {
				nv.Set(l.Value, l.Number)
			}
		}
		p, err := app.New(s.Name, r.Car, mem, nv)
		if err != nil {
			return err
		}
		if err := s.CheckNames(p.Declared()); err != nil {
			return err
		}
		side, bus, err := r.side(spec, s)
		if err != nil {
			return err
		}
		m, err := ecu.NewModule(r.Loop, side, s, ecu.Parts{
			Readings: p.Readings(), Memory: mem, NV: nv, Plant: plant{p}, Network: bus.Network(), Heard: p.Heard(),
			Routed: routed(spec, bus.Name), FD: side != r.Bus && bus.DataBitRate > 0, Rand: seed.For("ecu " + s.Name),
		})
		if err != nil {
			return err
		}
		r.units = append(r.units, &unit{module: m, program: p})
	}
	return nil
}

// startClock sets the car going.
func (r *Rig) startClock() {
	var step, load *clock.Timer
	next := car.StepTime
	step = r.Loop.NewTimer(clock.PriorityCar, func() {
		now := r.Loop.Now()
		r.Car.Step(car.StepTime)
		for _, u := range r.units {
			u.program.Step(now)
			u.module.Step(now)
		}
		for _, fn := range r.each {
			fn(now)
		}
		next += car.StepTime
		step.Set(next)
	})
	step.Set(next)
	if r.wire == nil {
		return
	}
	load = r.Loop.NewTimer(clock.PriorityJudge, func() {
		r.Metrics.Load(r.BusLoad())
		load.Set(r.Loop.Now() + loadStep)
	})
	load.Set(loadStep)
}

// Run runs the loop until a time, until it is stopped, or until ctx ends.
func (r *Rig) Run(ctx context.Context, until time.Duration) error { return r.Loop.Run(ctx, until) }

// defend has fn called by Close.
func (r *Rig) defend(fn func() error) { r.close = append(r.close, fn) }

// Close takes the car off the bus. Call it when the loop has ended.
func (r *Rig) Close() error {
	var errs []error
	for i := len(r.close) - 1; i >= 0; i-- {
		errs = append(errs, r.close[i]())
	}
	r.close = nil
	return errors.Join(errs...)
}

// BusLoad is the share of the last window in which an embedded bus was occupied, 0 to
// 1; 0 on a real interface.
func (r *Rig) BusLoad() float64 {
	if r.wire == nil {
		return 0
	}
	return r.wire.Stats().Load
}

// titles are the names that the car's control units report.
func (r *Rig) titles() []string {
	var names []string
	for _, u := range r.units {
		names = append(names, u.module.Name())
	}
	return names
}

// port finds the connection of a control unit: a gateway's is that on the first bus.
func (r *Rig) port(name string) (*wire.Port, bool) {
	for _, w := range append([]*wire.Bus{r.wire}, r.far...) {
		if w == nil {
			continue
		}
		if p, ok := w.Port(name); ok {
			return p, true
		}
	}
	return nil, false
}

// busNames are those of a recording: the interface at the connector, then the buses
// behind gateways.
func (r *Rig) busNames() []string {
	names := []string{"can0"}
	for i := range r.far {
		names = append(names, fmt.Sprintf("can%d", i+1))
	}
	return names
}

// module finds a control unit.
func (r *Rig) module(name string) (*ecu.Module, bool) {
	for _, u := range r.units {
		if u.module.Name() == name {
			return u.module, true
		}
	}
	return nil, false
}

// saw makes an observation of this moment.
func (r *Rig) saw(kind judge.Kind) judge.Observation { return judge.Saw(kind, r.Loop.Now()) }

func addresses(specs []*ecu.Spec) []address {
	var list []address
	for _, s := range specs {
		a := s.Addresses
		list = append(list, address{
			ecu:      s.Name,
			request:  canbus.KeyOf(a.Request, a.Extended),
			response: canbus.KeyOf(a.Response, a.Extended),
		})
	}
	return list
}

func nodeNames(specs []*ecu.Spec) []string {
	names := []string{replay.NodeName}
	for _, s := range specs {
		names = append(names, s.Name)
	}
	return names
}

// functional lists the identifiers on which several units are asked at once.
func (r *Rig) functional() []canbus.Key {
	var keys []canbus.Key
	for _, u := range r.units {
		if a := u.module.Spec().Addresses; a.Functional != nil {
			keys = append(keys, canbus.KeyOf(*a.Functional, a.Extended))
		}
	}
	return keys
}

// groups lists the same with the units that listen, in the order of the car.
func (r *Rig) groups() []trace.Group {
	var list []trace.Group
	for _, u := range r.units {
		s := u.module.Spec()
		if s.Addresses.Functional == nil {
			continue
		}
		id := int32(*s.Addresses.Functional)
		i := slices.IndexFunc(list, func(g trace.Group) bool { return g.ID == id })
		if i < 0 {
			i = len(list)
			list = append(list, trace.Group{ID: id})
		}
		list[i].Units = append(list[i].Units, s.Name)
	}
	return list
}

// Recorder keeps frames with what was done to them; capture.Writer is one.
type Recorder interface {
	Write(f *canbus.Frame, comment string) error
}
