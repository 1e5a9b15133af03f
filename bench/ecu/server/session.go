package server

import (
	"time"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// session is a bound diagnostic session.
type session struct {
	name       string
	id         byte
	mask       uint32
	p2, p2Star time.Duration
	needs      []spec.Bound
}

const anySession = ^uint32(0)

// mask is the set of sessions of a list of names; none means all.
func mask(u *spec.Unit, names []string) uint32 {
	if len(names) == 0 {
		return anySession
	}
	m := uint32(0)
	for _, n := range names {
		for i := range u.Sessions {
			if u.Sessions[i].Session == n {
				m |= 1 << i
			}
		}
	}
	return m
}

// Talks and Hears report whether the session and service 28 let the unit send and hear
// normal messages: its boot program has none, and no more has the programming session, in
// which boot software runs (ISO 14229-1 clause 9.2).
func (s *Server) Talks() bool { return s.spoken && s.normal() }

// Hears is whether the unit hears the messages of others; see [Server.Talks].
func (s *Server) Hears() bool { return s.heard && s.normal() }

func (s *Server) normal() bool { return !s.boot && s.session.id != uds.ProgrammingSession }

// enter changes the session. Security locks with every change; leaving for the
// default session also ends what the session had switched (ISO 14229-1 clause
// 9.2: services 28 and 85, routines that need it).
func (s *Server) enter(to *session) {
	s.session = to
	s.locks.lock()
	s.s3 = s.now + s.unit.Timing.S3.Duration()
	s.releaseOutputs(to)
	s.transfer = nil
	s.leaveRoutines(to)
	if to != &s.sessions[0] {
		return
	}
	s.communicate(true, true)
	s.mem.SetRecording(!s.boot)
	s.stopPeriodic(nil)
}

func (s *Server) communicate(receive, transmit bool) {
	if s.heard == receive && s.spoken == transmit {
		return
	}
	s.heard, s.spoken = receive, transmit
	s.application.Communicate(receive, transmit)
}
