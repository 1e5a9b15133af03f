package server

import (
	"fmt"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

func (s *Server) bind() error {
	u := s.unit
	b := spec.NewBinder(u, s.readings, s.nv)
	l := newLayouts(b)
	for i := range u.Sessions {
		x := &u.Sessions[i]
		s.sessions = append(s.sessions, session{name: x.Session, id: x.ID, mask: 1 << i, p2: x.P2.Duration(), p2Star: x.P2Star.Duration(),
			needs: b.Conditions(fmt.Sprintf("$.sessions[%d].needs", i), x.Needs)})
	}
	s.bindServices(b)
	s.bindOBD(b, l)
	s.bindDIDs(b, l)
	s.bindOutputs(b)
	for i := range u.Regions {
		r, a := &u.Regions[i], access{}
		if r.Read != nil {
			a = access{mask(u, r.Read.In), r.Read.Security}
		}
		s.regions = append(s.regions, newRegion(r, a))
	}
	s.programBy = b.Conditions("$.programming.needs", u.Programming.Needs)
	s.bindMemory(b)
	s.clearBy = b.Conditions("$.memory.clear_needs", u.Memory.ClearNeeds)
	for i := range u.Routines {
		r := &u.Routines[i]
		s.routines = append(s.routines, bindRoutine(b, fmt.Sprintf("$.routines[%d]", i), r, access{mask(u, r.In), r.Security}))
	}
	return b.Err()
}

// bindServices takes those of the registry that the unit has.
func (s *Server) bindServices(b *spec.Binder) {
	for _, x := range Services() {
		if x.Has != nil && x.Has(s.unit) {
			s.services[x.ID] = &bound{Service: &x, in: anySession}
		}
	}
	for i := range s.unit.Services {
		x := &s.unit.Services[i]
		kind, ok := serviceOf(uds.Service(x.Service))
		if !ok {
			b.Fail(fmt.Sprintf("$.services[%d].service", i), fmt.Errorf("%#02x is no service this server has", x.Service))
			continue
		}
		y := &bound{Service: &kind, in: mask(s.unit, x.In), security: x.Security,
			needs: b.Conditions(fmt.Sprintf("$.services[%d].needs", i), x.Needs)}
		if kind.Subs != nil {
			y.own = s.ownSubs(&kind, x)
		}
		s.services[x.Service] = y
	}
}

// ownSubs are the sub-functions of a service that the unit has.
func (s *Server) ownSubs(kind *Service, x *spec.Service) map[byte]access {
	own := map[byte]access{}
	if x.Subs == nil {
		for _, sub := range kind.Subs(s.unit) {
			own[sub] = access{in: anySession}
		}
	}
	for _, sub := range x.Subs {
		own[sub.Sub] = access{in: mask(s.unit, sub.In), security: sub.Security}
	}
	if kind.ID != uds.DiagnosticSessionControl {
		return own
	}
	for i := range s.unit.Sessions { // each is entered from its own list only
		y := &s.unit.Sessions[i]
		if a, ok := own[y.ID]; ok {
			a.in &= mask(s.unit, y.From)
			own[y.ID] = a
		}
	}
	return own
}

func (s *Server) bindOBD(b *spec.Binder, l *layouts) {
	o := s.unit.OBD
	if o == nil {
		return
	}
	for i := range o.PIDs {
		s.pids[o.PIDs[i].PID] = l.layout(fmt.Sprintf("$.obd.pids[%d].fields", i), o.PIDs[i].Fields)
	}
	for i := range o.Infotypes {
		x := &o.Infotypes[i]
		s.types[x.Type] = &infotype{layout: l.layout(fmt.Sprintf("$.obd.infotypes[%d].fields", i), x.Fields), items: x.Items}
	}
	for i := range o.Tests {
		x := &o.Tests[i]
		p := fmt.Sprintf("$.obd.tests[%d]", i)
		s.tests = append(s.tests, &test{spec: x, needs: b.Conditions(p+".needs", x.Needs), hold: b.Conditions(p+".hold", x.Hold), state: routineNever})
	}
}

func (s *Server) bindDIDs(b *spec.Binder, l *layouts) {
	for i := range s.unit.DIDs {
		d := &s.unit.DIDs[i]
		path := fmt.Sprintf("$.dids[%d]", i)
		x := &did{layout: l.layout(path+".fields", d.Fields), access: access{mask(s.unit, d.In), d.Security}}
		if w := d.Write; w != nil {
			x.write = &didWrite{access: access{mask(s.unit, w.In), w.Security}, needs: b.Conditions(path+".write.needs", w.Needs)}
		}
		s.dids[d.DID] = x
	}
}

func (s *Server) bindOutputs(b *spec.Binder) {
	for i := range s.unit.Outputs {
		o := &s.unit.Outputs[i]
		p := fmt.Sprintf("$.outputs[%d]", i)
		x := &output{spec: o, access: access{mask(s.unit, o.In), o.Security}, needs: b.Conditions(p+".needs", o.Needs),
			hold: b.Conditions(p+".hold", o.Hold), number: piece{bytes: o.Bytes, scale: float64(o.PerBit)}}
		if o.Signal != "" {
			shown := x.number
			shown.ref = b.Ref(p+".signal", o.Signal)
			x.shown = layout{shown}
			if s.dids[o.DID] == nil {
				s.dids[o.DID] = &did{layout: x.shown, access: access{in: anySession}}
			}
		}
		s.outputs = append(s.outputs, x)
	}
}

// bindMemory binds what the code memory takes from readings, snapshots too.
func (s *Server) bindMemory(b *spec.Binder) {
	at := 0
	if s.unit.OBD != nil {
		for _, pid := range s.unit.OBD.FreezeFrame {
			n := s.pids[pid].size()
			s.frozen = append(s.frozen, frozenPID{pid, at, n})
			at += n
		}
	}
	s.mem.Bind(b, s.unit, at, s.freeze)
}
