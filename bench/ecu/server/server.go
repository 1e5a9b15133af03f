package server

import (
	"math/rand/v2"
	"time"

	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
)

// Parts are what a server works on.
type Parts struct {
	// Readings is what the unit's program knows of the car.
	Readings *signal.Table
	Memory   *dtc.Memory
	NV       *nv.Memory
	// Application may be nil.
	Application Application
	// Rand gives seeds and processing times.
	Rand *rand.Rand
}

// Server is the diagnostic server of one unit: a pure state machine that takes
// requests and the time and gives answers and its next deadline.
type Server struct {
	unit        *spec.Unit
	readings    *signal.Table
	mem         *dtc.Memory
	nv          *nv.Memory
	application Application
	rand        *rand.Rand

	// What the unit has, bound to its readings.
	sessions []session
	services [256]*bound
	pids     [256]layout
	types    [256]*infotype
	dids     map[uint16]*did
	frozen   []frozenPID
	clearBy  []spec.Bound
	routines []*routine
	outputs  []*output
	tests    []*test
	regions  []*region
	// programBy must hold while the unit is programmed.
	programBy []spec.Bound

	// How many outputs are held, routines and tests run: time takes those on alone.
	held, running int

	// What requests have switched.
	now         time.Duration
	powered     bool
	silentUntil time.Duration
	session     *session
	s3          time.Duration
	locks       locks
	// heard and spoken are the state of service 28.
	heard, spoken bool
	periods       []periodic
	dynamic       map[uint16][]source
	transfer      *transfer
	// erasing is the region that an erase routine works on.
	erasing *region
	boot    bool

	// overrules are faults of the unit.
	overrules []*overrule

	// What is on its way out, and why it is a refusal.
	queue []response
	why   string
	work  work
	// owed is that the answer to a request was handed out and has not left yet.
	owed  bool
	reset ResetKind
	// resetBy is when a due reset happens at the latest; 0 none handed out.
	resetBy time.Duration
	dropped int
}

// New binds a unit's description to its parts. The error names the place in
// the description of a reading that the unit does not have.
func New(u *spec.Unit, p Parts) (*Server, error) {
	s := &Server{unit: u, readings: p.Readings, mem: p.Memory, nv: p.NV, application: p.Application, rand: p.Rand,
		dids: map[uint16]*did{}, dynamic: map[uint16][]source{}, heard: true, spoken: true}
	if s.application == nil {
		s.application = noApplication{}
	}
	if err := s.bind(); err != nil {
		return nil, err
	}
	s.session = &s.sessions[0]
	s.locks = locks{levels: u.Security, nv: s.nv}
	return s, nil
}

// Power gives the unit its supply or takes it. With supply it boots, silent
// for the boot time, in the default session; without it hears nothing, its
// session and running work are lost, what is stored and codes stay.
func (s *Server) Power(now time.Duration, on bool) {
	if s.powered == on {
		return
	}
	s.now = now
	if on {
		s.powered = true
		s.restart(PowerUp)
		return
	}
	s.abandon(reasonPower)
	s.forgetDynamic()
	s.powered = false
}

// DropSession has the unit fall back to its default session, as after a fault of
// its own: what the session had switched ends, security is locked.
func (s *Server) DropSession() { s.enter(&s.sessions[0]) }

// Touch restarts the session timer: transport is receiving a request.
func (s *Server) Touch(now time.Duration) {
	s.Tick(now)
	s.keepSession()
}

// Sent tells that the answers handed out have left. The session timer runs
// from here, and a reset whose answer this was happens now.
func (s *Server) Sent(now time.Duration) {
	s.Tick(now)
	if !s.owed {
		return // a periodic answer keeps no session
	}
	s.owed = false
	s.keepSession()
	if s.reset != 0 && s.resetBy != 0 {
		s.restart(s.reset)
	}
}

// Tick takes the time on: routines step, due answers become ready, the session
// timer runs out.
func (s *Server) Tick(now time.Duration) {
	s.now = max(s.now, now)
	if !s.powered {
		return
	}
	if s.reset != 0 && s.resetBy != 0 && s.now >= s.resetBy {
		s.restart(s.reset)
	}
	if s.running > 0 {
		s.stepRoutines()
	}
	if s.held > 0 {
		s.stepOutputs()
	}
	if s.running > 0 {
		s.stepTests()
	}
	s.proceed()
	if s.timedOut() {
		s.enter(&s.sessions[0])
	}
	s.stepPeriodic()
}

// timedOut reports whether the session timer has run out. It stands still
// while a request is worked on.
func (s *Server) timedOut() bool {
	return s.session != &s.sessions[0] && !s.work.active && len(s.queue) == 0 && s.now >= s.s3
}

// Deadline is when Tick should be called next; false if nothing is due.
func (s *Server) Deadline() (time.Duration, bool) {
	if !s.powered {
		return 0, false
	}
	at, ok := time.Duration(0), false
	earliest := func(t time.Duration) {
		if !ok || t < at {
			at, ok = t, true
		}
	}
	if len(s.queue) > 0 {
		earliest(s.queue[0].due)
	}
	if s.work.active {
		earliest(min(s.work.due, s.work.pendAt))
	} else if len(s.queue) == 0 && s.session != &s.sessions[0] {
		earliest(s.s3)
	}
	if s.reset != 0 && s.resetBy != 0 {
		earliest(s.resetBy)
	}
	if t, ok := s.periodicNext(); ok {
		earliest(t)
	}
	if s.held > 0 {
		for _, o := range s.outputs {
			if o.active && o.spec.Longest > 0 {
				earliest(o.until)
			}
		}
	}
	if s.running == 0 {
		return at, ok
	}
	for _, x := range s.tests {
		if x.state == routineRunning {
			earliest(x.until)
		}
	}
	for _, r := range s.routines {
		if t, running := r.deadline(); running {
			earliest(t)
		}
	}
	return at, ok
}

// Alive reports whether the unit has its supply and has booted.
func (s *Server) Alive(now time.Duration) bool { return s.powered && now >= s.silentUntil }

// Dropped counts requests lost because too many answers were waiting.
func (s *Server) Dropped() int { return s.dropped }
