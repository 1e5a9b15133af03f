package server

import (
	"time"

	"sawhorse/bench/ecu/spec"
)

// output is one bound actuator of service 2F.
type output struct {
	spec *spec.Output
	access
	needs  []spec.Bound
	hold   []spec.Bound
	number piece
	// shown reads back the command in effect; nil where nothing does.
	shown layout

	active bool
	until  time.Duration
}

// hold has the unit's program hold an output.
func (s *Server) hold(o *output, value float64) {
	if !o.active {
		s.held++
	}
	o.active, o.until = true, s.now+o.spec.Longest.Duration()
	s.application.Control(o.spec.Output, value, true)
}

// release gives an output back to the unit's program.
func (s *Server) release(o *output) {
	if o.active {
		o.active = false
		s.held--
		s.application.Control(o.spec.Output, 0, false)
	}
}

// releaseOutputs gives back what the new session does not have, the default
// session everything.
func (s *Server) releaseOutputs(to *session) {
	for _, o := range s.outputs {
		if to == &s.sessions[0] || o.in&to.mask == 0 {
			s.release(o)
		}
	}
}

// stepOutputs gives back what may not be held any longer.
func (s *Server) stepOutputs() {
	for _, o := range s.outputs {
		if o.active && (o.spec.Longest > 0 && s.now >= o.until || spec.Unmet(o.hold, s.readings) != nil) {
			s.release(o)
		}
	}
}

// sets commands outputs, or gives them back.
func (s *Server) sets(list []spec.Set, on bool) {
	for _, x := range list {
		if on {
			s.application.Control(x.Output, x.Value, true)
		} else {
			s.application.Control(x.Output, 0, false)
		}
	}
}
