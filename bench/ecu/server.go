package ecu

import (
	"math/rand/v2"
	"time"

	"sawhorse/bench/signal"
	"sawhorse/dbc"
)

// maxMessage is the longest answer: the 12-bit length of ISO 15765-2.
const maxMessage = 4095

// maxQueue bounds the answers waiting to leave; requests beyond are dropped
// and counted.
const maxQueue = 8

// resetGrace is how long a reset waits for its own answer to leave the bus.
const resetGrace = 50 * time.Millisecond

// ResetKind says why a unit starts anew: the sub-functions of service 11, or
// the return of its supply.
type ResetKind uint8

// Kinds of reset (ISO 14229-1 clause 9.3).
const (
	HardReset ResetKind = 1
	KeyReset  ResetKind = 2
	SoftReset ResetKind = 3
	PowerUp   ResetKind = 4
)

// Plant is what a server has done to the rest of its unit.
type Plant interface {
	// Reset tells the unit's program to start anew; non-volatile memory stays.
	Reset(kind ResetKind)
	// Communicate switches the unit's normal messages (service 28).
	Communicate(receive, transmit bool)
	// Routine says which step a routine is in; "" when it has ended.
	Routine(name, step string)
	// Control has the unit's program hold an output at a value, or, when not
	// active, do with it what it wants. Names are those of the spec's outputs.
	Control(name string, value float64, active bool)
	// Boot says that the unit has no whole program, so that only its boot program
	// runs: no output is driven, no message sent.
	Boot(on bool)
}

// Parts are what a server works on.
type Parts struct {
	// Readings is what the unit's program knows of the car.
	Readings *signal.Table
	Memory   *Memory
	NV       *NV
	// Plant may be nil.
	Plant Plant
	// Network has the messages of the bus, of which the unit sends its own; nil sends
	// none.
	Network *dbc.Network
	// Heard is what the unit's program hears of others by the network; nil hears
	// nothing. It has a signal bus_off beside those that the spec names.
	Heard *signal.Table
	// Routed are messages of the unit's node that a gateway makes of others.
	Routed []string
	// FD says that the unit's bus has CAN FD.
	FD bool
	// Rand gives seeds and processing times.
	Rand *rand.Rand
}

// Server is the diagnostic server of one unit: a pure state machine that takes
// requests and the time and gives answers and its next deadline.
type Server struct {
	spec     *Spec
	readings *signal.Table
	mem      *Memory
	nv       *NV
	plant    Plant
	rand     *rand.Rand

	sessions []session
	services [256]*service
	pids     [256]layout
	types    [256]*infotype
	dids     map[uint16]*did
	frozen   []frozenPID
	clearBy  []rule
	routines []*routine
	outputs  []*output
	tests    []*test
	regions  []*region
	slow     []slowSpec
	// programBy must hold while the unit is programmed.
	programBy []rule

	now         time.Duration
	powered     bool
	silentUntil time.Duration
	session     *session
	s3          time.Duration
	access      access
	// heard and spoken are the state of service 28.
	heard, spoken bool
	periods       []periodic
	dynamic       map[uint16][]source
	transfer      *transfer
	// erasing is the region that an erase routine works on.
	erasing *region
	boot    bool
	// owed is that the answer to a request was handed out and has not left yet.
	owed bool

	out   []byte
	sub   byte
	svc   *service
	dry   bool
	queue []answer
	work  work
	reset ResetKind
	// resetBy is when a due reset happens at the latest; 0 none handed out.
	resetBy time.Duration
	dropped int
}

// answer waits in the queue until its time.
type answer struct {
	due  time.Duration
	data []byte
	// final marks the end of a request: the session timer runs from here.
	final bool
}

// work is the one slow request in progress.
type work struct {
	active     bool
	req        []byte
	functional bool
	pended     bool
	due        time.Duration
	// pendAt is when the next "response pending" leaves.
	pendAt time.Duration
}

// NewServer binds a unit's spec to its parts. The error names the place in
// the spec of a reading that the unit does not have.
func NewServer(spec *Spec, p Parts) (*Server, error) {
	s := &Server{spec: spec, readings: p.Readings, mem: p.Memory, nv: p.NV, plant: p.Plant, rand: p.Rand,
		dids: map[uint16]*did{}, dynamic: map[uint16][]source{}, slow: spec.Slow, out: make([]byte, 0, 256), heard: true, spoken: true}
	if s.plant == nil {
		s.plant = noPlant{}
	}
	if err := s.bind(); err != nil {
		return nil, err
	}
	s.session = &s.sessions[0]
	s.access.init(spec.Security, s.nv)
	return s, nil
}

type noPlant struct{}

func (noPlant) Reset(ResetKind)        {}
func (noPlant) Communicate(bool, bool) {}
func (noPlant) Routine(string, string) {}

func (noPlant) Control(string, float64, bool) {}

func (noPlant) Boot(bool) {}

// Power gives the unit its supply or takes it. With supply it boots, silent
// for the boot time, in the default session; without it hears nothing, its
// session and running work are lost, NV and codes stay.
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

// Alive reports whether the unit has its supply and has booted.
func (s *Server) Alive(now time.Duration) bool { return s.powered && now >= s.silentUntil }

// Dropped counts requests lost because too many answers were waiting.
func (s *Server) Dropped() int { return s.dropped }

// Request takes one request message (service identifier first). It answers
// through NextResponse, later, or not at all.
func (s *Server) Request(now time.Duration, functional bool, req []byte) {
	s.Tick(now)
	if len(req) == 0 || !s.Alive(now) || s.reset != 0 {
		return
	}
	if len(s.queue) >= maxQueue {
		s.dropped++
		return
	}
	if s.work.active {
		s.busy(functional, req)
		return
	}
	takes := s.takes(req)
	s.dry = takes > 0
	nrc := s.decide(req)
	s.dry = false
	if nrc == 0 && takes > 0 {
		s.work = work{active: true, req: append(s.work.req[:0], req...), functional: functional,
			due: now + max(takes, s.delay()), pendAt: now + s.session.p2*3/5}
		return
	}
	s.respond(req, nrc, functional, false, now+s.delay())
}

// Touch restarts the session timer: transport is receiving a request.
func (s *Server) Touch(now time.Duration) {
	s.Tick(now)
	s.s3 = s.now + s.spec.Timing.S3.d()
}

// Sent tells that the answers handed out have left. The session timer runs
// from here, and a reset whose answer this was happens now.
func (s *Server) Sent(now time.Duration) {
	s.Tick(now)
	if !s.owed {
		return // a periodic answer keeps no session
	}
	s.owed = false
	s.s3 = s.now + s.spec.Timing.S3.d()
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
	s.stepRoutines()
	s.stepOutputs()
	s.stepTests()
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
	for _, o := range s.outputs {
		if o.active && o.spec.Longest > 0 {
			earliest(o.until)
		}
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

// NextResponse hands out the next answer that is due. The bytes are the
// server's until its next call.
func (s *Server) NextResponse() ([]byte, bool) {
	if len(s.queue) == 0 || s.queue[0].due > s.now {
		return nil, false
	}
	a := s.queue[0]
	s.queue = append(s.queue[:0], s.queue[1:]...)
	if a.final {
		s.owed = true
		s.s3 = s.now + s.spec.Timing.S3.d()
		if s.reset != 0 {
			s.resetBy = s.now + resetGrace
		}
	}
	return a.data, true
}

// delay is the processing time of one ordinary answer.
func (s *Server) delay() time.Duration {
	t := &s.spec.Timing
	width := int64(t.Most - t.Least)
	if width <= 0 {
		return t.Least.d()
	}
	return t.Least.d() + time.Duration(s.rand.Int64N(width+1))
}

// takes is how long a request's work lasts; 0 for an ordinary answer.
func (s *Server) takes(req []byte) time.Duration {
	for i := range s.slow {
		w := &s.slow[i]
		if w.Service == req[0] && (w.Item == nil || *w.Item == itemOf(req)) {
			return w.Takes.d()
		}
	}
	return 0
}

// itemOf is what a request is about: DID, RID, or the byte after the service.
func itemOf(req []byte) uint16 {
	switch {
	case (req[0] == 0x22 || req[0] == 0x2E || req[0] == 0x2F) && len(req) >= 3:
		return uint16(req[1])<<8 | uint16(req[2])
	case req[0] == 0x31 && len(req) >= 4:
		return uint16(req[2])<<8 | uint16(req[3])
	case len(req) >= 2 && req[0] > 0x0A:
		return uint16(req[1] &^ 0x80)
	case len(req) >= 2:
		return uint16(req[1])
	}
	return 0
}
