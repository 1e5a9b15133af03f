package ecu

import (
	"fmt"
	"time"
)

// session is a bound diagnostic session.
type session struct {
	name       string
	id         byte
	mask       uint32
	p2, p2Star time.Duration
	needs      []rule
}

// service is a bound row of the table of services.
type service struct {
	in       uint32
	security byte
	needs    []rule
	// subs is nil for services without sub-function.
	subs map[byte]subRule
	run  func(s *Server, req []byte) byte
}

type subRule struct {
	in       uint32
	security byte
}

type did struct {
	layout   layout
	size     int
	in       uint32
	security byte
	write    *didWrite
}

type didWrite struct {
	in       uint32
	security byte
	needs    []rule
}

type infotype struct {
	layout layout
	items  byte
}

type frozenPID struct {
	pid         byte
	offset, len int
}

const anySession = ^uint32(0)

// mask is the set of sessions of a list of names; none means all.
func (s *Spec) mask(names []string) uint32 {
	if len(names) == 0 {
		return anySession
	}
	m := uint32(0)
	for _, n := range names {
		for i := range s.Sessions {
			if s.Sessions[i].Session == n {
				m |= 1 << i
			}
		}
	}
	return m
}

func (s *Server) bind() error {
	b := &binder{doc: s.spec.doc, t: s.readings, nv: s.nv}
	s.bindSessions(b)
	s.bindServices(b)
	s.bindOBD(b)
	for i := range s.spec.DIDs {
		d := &s.spec.DIDs[i]
		path := fmt.Sprintf("$.dids[%d]", i)
		x := &did{layout: b.layout(path+".fields", d.Fields), size: size(d.Fields), in: s.spec.mask(d.In), security: d.Security}
		if w := d.Write; w != nil {
			x.write = &didWrite{in: s.spec.mask(w.In), security: w.Security, needs: b.rules(path+".write.needs", w.Needs)}
		}
		s.dids[d.DID] = x
	}
	s.bindOutputs(b)
	s.bindTests(b)
	s.bindRegions()
	s.programBy = b.rules("$.programming.needs", s.spec.Program.Needs)
	s.bindMemory(b)
	s.clearBy = b.rules("$.memory.clear_needs", s.spec.Memory.ClearNeeds)
	for i := range s.spec.Routines {
		s.routines = append(s.routines, b.routine(fmt.Sprintf("$.routines[%d]", i), s.spec, &s.spec.Routines[i]))
	}
	return b.err
}

func (s *Server) bindSessions(b *binder) {
	for i := range s.spec.Sessions {
		x := &s.spec.Sessions[i]
		s.sessions = append(s.sessions, session{name: x.Session, id: x.ID, mask: 1 << i, p2: x.P2.d(), p2Star: x.P2Star.d(),
			needs: b.rules(fmt.Sprintf("$.sessions[%d].needs", i), x.Needs)})
	}
}

func (s *Server) bindServices(b *binder) {
	for i := range s.spec.Services {
		x := &s.spec.Services[i]
		svc := &service{in: s.spec.mask(x.In), security: x.Security, run: handlers[x.Service].run,
			needs: b.rules(fmt.Sprintf("$.services[%d].needs", i), x.Needs)}
		if all := s.spec.subsOf(x.Service); all != nil {
			svc.subs = map[byte]subRule{}
			for _, sub := range all {
				svc.subs[sub] = subRule{in: anySession}
			}
			if x.Subs != nil {
				clear(svc.subs)
			}
			for _, sub := range x.Subs {
				svc.subs[sub.Sub] = subRule{in: s.spec.mask(sub.In), security: sub.Security}
			}
			if x.Service == 0x10 {
				s.narrowSessions(svc)
			}
		}
		s.services[x.Service] = svc
	}
}

// narrowSessions lets each session be entered from its own list only.
func (s *Server) narrowSessions(svc *service) {
	for i := range s.spec.Sessions {
		x := &s.spec.Sessions[i]
		if sub, ok := svc.subs[x.ID]; ok {
			sub.in &= s.spec.mask(x.From)
			svc.subs[x.ID] = sub
		}
	}
}

func (s *Server) bindOBD(b *binder) {
	o := s.spec.OBD
	if o == nil {
		return
	}
	for i := range o.PIDs {
		s.pids[o.PIDs[i].PID] = b.layout(fmt.Sprintf("$.obd.pids[%d].fields", i), o.PIDs[i].Fields)
	}
	for i := range o.Infotypes {
		x := &o.Infotypes[i]
		s.types[x.Type] = &infotype{layout: b.layout(fmt.Sprintf("$.obd.infotypes[%d].fields", i), x.Fields), items: x.Items}
	}
	at := 0
	for _, pid := range o.FreezeFrame {
		n := 0
		for _, p := range s.pids[pid] {
			n += p.bytes
		}
		s.frozen = append(s.frozen, frozenPID{pid, at, n})
		at += n
	}
	if at == 0 {
		return
	}
	for i := range s.mem.recs {
		s.mem.recs[i].first = make([]byte, 0, at)
		s.mem.recs[i].latest = make([]byte, 0, at)
	}
	s.mem.frame.data = make([]byte, 0, at)
	s.mem.capture = func(b []byte) []byte {
		for _, f := range s.frozen {
			b = s.pids[f.pid].append(b, s)
		}
		return b
	}
}

// bindMemory binds what the code memory takes from readings.
func (s *Server) bindMemory(b *binder) {
	s.mem.bindGates(b, s.spec.Memory.Enable)
	if s.spec.OBD != nil {
		s.mem.bindResults(b, s.spec.OBD.Results)
	}
}
