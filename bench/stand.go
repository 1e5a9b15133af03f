package bench

import (
	"fmt"
	"slices"
	"strings"

	"sawhorse/bench/car"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/app"
	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/gateway"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/spec"
	ecu "sawhorse/bench/ecu/unit"
	"sawhorse/bench/trace"
	"sawhorse/canbus"
	"sawhorse/canbus/bridge"
	"sawhorse/canbus/replay"
	"sawhorse/canbus/wire"
)

// kit is a car before it stands on a bus.
type kit struct {
	spec *car.Spec
	ecus []*spec.Unit
	car  *car.Car
	seed chance.Seed
}

func newKit(name string, seed chance.Seed) (*kit, error) {
	spec, err := car.Find(name)
	if err != nil {
		return nil, err
	}
	k := &kit{spec: spec, car: car.New(spec, seed), seed: seed}
	k.ecus, err = ecu.Specs(spec)
	return k, err
}

// bus is the one at the diagnostic connector.
func (k *kit) bus() *car.BusSpec { return &k.spec.Buses[0] }

// addresses are where the control units are spoken to.
func (k *kit) addresses() []address {
	var list []address
	for _, s := range k.ecus {
		a := s.Addresses
		list = append(list, address{
			ecu:      s.Name,
			request:  canbus.KeyOf(a.Request, a.Extended),
			response: canbus.KeyOf(a.Response, a.Extended),
		})
	}
	return list
}

// nodeNames are the bench's own nodes.
func nodeNames(k *kit, bridged bool) []string {
	if bridged {
		return []string{bridge.Near, bridge.Far}
	}
	names := []string{replay.NodeName}
	if k != nil {
		for _, s := range k.ecus {
			names = append(names, s.Name)
		}
	}
	return names
}

// unit is one ECU: its diagnostic module and its program.
type unit struct {
	module  *ecu.Unit
	program app.Program
}

// stand puts the car's units on its buses.
func (b *Bench) stand(k *kit) error {
	if err := b.openFar(k.spec); err != nil {
		return err
	}
	if err := b.build(k); err != nil {
		return err
	}
	return b.openGateways(k)
}

// openFar makes the car's buses behind its gateways. What goes by there is recorded
// and nothing more: a tool at the connector does not see it.
func (b *Bench) openFar(spec *car.Spec) error {
	for i := range spec.Buses[1:] {
		s := &spec.Buses[i+1]
		w, err := wire.New(b.Loop, s.Name, wire.Config{BitRate: s.BitRate, DataBitRate: s.DataBitRate, RecoverAfter: recoverAfter})
		if err != nil {
			return fmt.Errorf("bus %s: %w", s.Name, err)
		}
		w.Tap(func(s canbus.Sighting) { b.watch.seeFar(uint8(i+1), s) })
		b.far = append(b.far, w)
	}
	return nil
}

// side is the bus of the car on which a unit sits.
func (b *Bench) side(spec *car.Spec, s *spec.Unit) (canbus.Bus, *car.BusSpec, error) {
	at, err := s.BusOf(spec)
	if err != nil {
		return nil, nil, err
	}
	for i := range spec.Buses[1:] {
		if at == &spec.Buses[i+1] {
			return b.far[i], at, nil
		}
	}
	return b.Bus, at, nil
}

// build makes the ECUs.
func (b *Bench) build(k *kit) error {
	learned, err := app.LearnedValues(k.spec)
	if err != nil {
		return err
	}
	for _, s := range k.ecus {
		mem, nv := dtc.New(s), nv.New(s, s.IdentityOf(&k.spec.Identity))
		for _, l := range learned {
			if l.ECU == s.Name {
				nv.Set(l.Value, l.Number)
			}
		}
		p, err := programOf(s, b.Car, mem, nv)
		if err != nil {
			return err
		}
		if err := checkNames(k.spec, s, p); err != nil {
			return err
		}
		side, bus, err := b.side(k.spec, s)
		if err != nil {
			return err
		}
		m, err := ecu.New(b.Loop, side, s, ecu.Parts{
			Readings: p.Readings(), Memory: mem, NV: nv, Application: application{p}, Network: bus.Network(), Heard: p.Heard(),
			Routed: routed(k.spec, bus.Name), FD: side != b.Bus && bus.DataBitRate > 0, Rand: k.seed.For("ecu " + s.Name),
		})
		if err != nil {
			return err
		}
		b.units = append(b.units, &unit{module: m, program: p})
		b.watch.why[s.Name] = m.Server().Why
	}
	return checkLearned(k.spec, b.units)
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

// openGateways sets the car's gateways to work.
func (b *Bench) openGateways(k *kit) error {
	for i := range k.spec.Gateways {
		s := &k.spec.Gateways[i]
		u, ok := b.unit(s.Unit)
		if !ok {
			return fmt.Errorf("car %s: gateway %q is none of its units, want one of %s", k.spec.Name, s.Unit, strings.Join(b.unitNames(), ", "))
		}
		near, _ := k.spec.Bus(s.Near)
		if at, err := u.module.Spec().BusOf(k.spec); err != nil || at != near {
			return fmt.Errorf("car %s: the gateway %s does not sit on the bus %s", k.spec.Name, s.Unit, s.Near)
		}
		p := gateway.Parts{Spec: s, Unit: u.module, Near: near.Network(), Heard: u.program.Heard()}
		for n := range k.spec.Buses[1:] {
			if at := &k.spec.Buses[n+1]; at.Name == s.Far {
				p.Far, p.FarFD, p.FarNet = b.far[n], at.DataBitRate > 0, at.Network()
			}
		}
		for _, x := range k.ecus {
			if at, err := x.BusOf(k.spec); err == nil && at.Name == s.Far {
				p.Units = append(p.Units, x)
			}
		}
		g, err := gateway.New(b.Loop, p)
		if err != nil {
			return err
		}
		b.gateways = append(b.gateways, g)
		b.each = append(b.each, g.Step)
	}
	return nil
}

// unit finds a control unit by its name.
func (b *Bench) unit(name string) (*unit, bool) {
	for _, u := range b.units {
		if u.module.Name() == name {
			return u, true
		}
	}
	return nil, false
}

// unitNames are the names that the car's control units report.
func (b *Bench) unitNames() []string {
	var names []string
	for _, u := range b.units {
		names = append(names, u.module.Name())
	}
	return names
}

// groups lists the identifiers on which several units are asked at once, with the
// units that listen, in the order of the car.
func (b *Bench) groups() []trace.Group {
	var list []trace.Group
	for _, u := range b.units {
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
