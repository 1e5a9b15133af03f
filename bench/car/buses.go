package car

import (
	"fmt"
	"io/fs"
	"path"

	"sawhorse/bench/car/strict"
	"sawhorse/dbc"
)

// Bit rates that controllers reach (ISO 11898-1:2015, ISO 11898-2:2016).
const (
	leastBitRate = 10_000
	mostBitRate  = 1_000_000
	mostDataRate = 8_000_000
)

// readNetworks checks the buses and reads their .dbc files.
func (s *Spec) readNetworks(d *strict.Doc, dir string) error {
	if len(s.Buses) == 0 {
		return d.Errorf("$.buses", "missing, want at least one bus of the car")
	}
	for i := range s.Buses {
		p, b := fmt.Sprintf("$.buses[%d]", i), &s.Buses[i]
		if b.Name == "" {
			return d.Errorf(p+".bus", "missing, want the bus's name")
		}
		for k := range s.Buses[:i] {
			if s.Buses[k].Name == b.Name {
				return d.Errorf(p+".bus", "%q is there already, want another name", b.Name)
			}
		}
		if b.BitRate < leastBitRate || b.BitRate > mostBitRate {
			return d.Errorf(p+".bit_rate", "%d, want %d..%d bit/s", b.BitRate, leastBitRate, mostBitRate)
		}
		if b.DataBitRate != 0 && (b.DataBitRate < b.BitRate || b.DataBitRate > mostDataRate) {
			return d.Errorf(p+".data_bit_rate", "%d, want %d..%d bit/s, or none for classical CAN", b.DataBitRate, b.BitRate, mostDataRate)
		}
		if b.File == "" {
			continue
		}
		data, err := fs.ReadFile(s.Dir, b.File)
		if err != nil {
			return d.Errorf(p+".network", "%v", err)
		}
		if b.network, err = dbc.Parse(path.Join(dir, b.File), data); err != nil {
			return err
		}
		// What the parser takes from strangers with a warning is a mistake in a car's own file.
		for _, w := range b.network.Warnings {
			return &strict.Error{File: w.File, Line: w.Line, Column: w.Column, Problem: w.What}
		}
		for _, m := range b.network.Messages {
			if m.FD && b.DataBitRate == 0 {
				return &strict.Error{File: b.network.File, Line: m.At.Line, Column: m.At.Column,
					Problem: fmt.Sprintf("message %s is CAN FD, and the bus %s is not", m.Name, b.Name)}
			}
		}
	}
	return s.checkGateways(d)
}

// checkGateways checks that every route has its message on either side, in layouts that
// fit.
func (s *Spec) checkGateways(d *strict.Doc) error {
	joined := map[string]bool{}
	for i := range s.Gateways {
		p, g := fmt.Sprintf("$.gateways[%d]", i), &s.Gateways[i]
		if g.Unit == "" {
			return d.Errorf(p+".gateway", "missing, want the name of the control unit")
		}
		near, ok := s.Bus(g.Near)
		if !ok || near != &s.Buses[0] {
			return d.Errorf(p+".near", "%q, want %s, the first bus", g.Near, s.Buses[0].Name)
		}
		far, ok := s.Bus(g.Far)
		if !ok || far == near || joined[g.Far] {
			return d.Errorf(p+".far", "%q, want another bus that no gateway joins yet", g.Far)
		}
		joined[g.Far] = true
		if len(g.Routes) > 0 && (near.network == nil || far.network == nil) {
			return d.Errorf(p+".routes", "a bus without network file, want one for each of %s and %s", g.Near, g.Far)
		}
		for k := range g.Routes {
			if err := s.checkRoute(d, fmt.Sprintf("%s.routes[%d]", p, k), &g.Routes[k], near, far); err != nil {
				return err
			}
		}
	}
	for i := range s.Buses[1:] {
		if b := &s.Buses[i+1]; !joined[b.Name] {
			return d.Errorf(fmt.Sprintf("$.buses[%d]", i+1), "no gateway joins the bus %s, want one under gateways", b.Name)
		}
	}
	return nil
}

func (s *Spec) checkRoute(d *strict.Doc, p string, r *RouteSpec, near, far *BusSpec) error {
	var from, to *BusSpec
	switch r.To {
	case near.Name:
		from, to = far, near
	case far.Name:
		from, to = near, far
	default:
		return d.Errorf(p+".to", "%q, want %s or %s", r.To, near.Name, far.Name)
	}
	a, ok := from.network.MessageNamed(r.Message)
	if !ok {
		return d.Errorf(p+".message", "%q is no message of %s", r.Message, from.network.File)
	}
	b, ok := to.network.MessageNamed(r.Target())
	if !ok {
		return d.Errorf(p, "%q is no message of %s", r.Target(), to.network.File)
	}
	for _, x := range b.Signals {
		if x.Counter != nil || x.Checksum != nil {
			continue
		}
		y, ok := a.Signal(x.Name)
		switch {
		case !ok:
			return d.Errorf(p, "the signal %s of %s on %s is not in %s on %s", x.Name, b.Name, to.Name, a.Name, from.Name)
		case x.Length != y.Length || x.Encoding != y.Encoding || x.Factor != y.Factor || x.Offset != y.Offset || x.Switch || y.Switch || x.Under != nil || y.Under != nil:
			return d.Errorf(p, "the signal %s has another length or scale on %s than on %s, want equal ones without multiplexing", x.Name, to.Name, from.Name)
		}
	}
	return nil
}
