package tester

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"sawhorse/canbus"
)

// Defaults of a Config.
const (
	DefaultLimit      = 60 * time.Second
	DefaultLearnLimit = 300 * time.Second // with a wait more, see LimitOf
	DefaultPatience   = 30 * time.Second
	DefaultLostWait   = 10 * time.Second
)

const (
	discoveryRounds = 3
	discoveryPause  = 500 * time.Millisecond
	closingWait     = 400 * time.Millisecond
	maxLines        = 4096
)

// ErrUsage is wrapped by the errors of New.
var ErrUsage = errors.New("usage")

// Config says what to do.
type Config struct {
	// Task is one of Tasks.
	Task string
	// Position is one of Positions, for the task learn only.
	Position string
	// Output is one of Outputs, for the task drive-output only.
	Output string
	// VIN is the vehicle's number (ISO 3779), for the task write-identity only.
	VIN string
	// UDS lists control units beyond the OBD range. Nil takes DefaultUDS; an
	// empty list none.
	UDS []Pair
	// Defect is one of Defects that the tool is to have, "" for none: whoever judges
	// tools can see with it whether a mistake is noticed.
	Defect string
	// Style is one of Styles, "" for the first.
	Style string
	// Limit bounds the whole task, 0 for the default. Patience bounds the wait
	// for the person to fulfil a learn's conditions, LostWait the wait for a
	// car that fell silent.
	Limit, Patience, LostWait time.Duration
}

// DefaultUDS is the body control unit: at 7A0 / 7A8, and in a car with 29-bit
// identifiers at address 40, with the gateway at 0A and the instruments at 60. Those of the car's own kind of
// identifier are asked.
func DefaultUDS() []Pair {
	return []Pair{
		{Name: "body", Request: canbus.KeyOf(bodyRequest, false), Respond: canbus.KeyOf(bodyRequest+8, false)},
		{Name: "gateway", Request: canbus.KeyOf(at29(gateway29), true), Respond: canbus.KeyOf(response29|gateway29, true)},
		{Name: "cluster", Request: canbus.KeyOf(at29(cluster29), true), Respond: canbus.KeyOf(response29|cluster29, true)},
		{Name: "body", Request: canbus.KeyOf(at29(body29), true), Respond: canbus.KeyOf(response29|body29, true)},
	}
}

// Tester works on one task. Time may be any monotonic duration; it begins with
// the first call of Tick.
type Tester struct {
	cfg     Config
	job     Job
	seams   seams
	l       link
	doc     Document
	lines   []string
	begun   bool
	started time.Duration
	limit   time.Duration // absolute
	// pause is a wait of the task itself.
	pausing  bool
	pauseEnd time.Duration
	pauseFn  func()
	seen     engineState
	// refused is what was refused of a reading task.
	refused []string
	// session is the control unit whose extended session is open.
	session *peer
	closing bool
	endBy   time.Duration
	done    bool
	output  []byte
}

// New returns a tester for the task. Errors wrap ErrUsage.
func New(cfg Config) (*Tester, error) {
	job, err := jobOf(cfg.Task)
	if err != nil {
		return nil, err
	}
	if err := job.check(map[string]string{"position": cfg.Position, "output": cfg.Output, "vin": cfg.VIN}); err != nil {
		return nil, err
	}
	if cfg.UDS == nil {
		cfg.UDS = DefaultUDS()
	}
	if cfg.Limit == 0 {
		cfg.Limit = LimitOf(cfg.Task, cfg.Position)
	}
	cfg.Patience = orDefault(cfg.Patience, DefaultPatience)
	cfg.LostWait = orDefault(cfg.LostWait, DefaultLostWait)
	if cfg.Limit < 0 || cfg.Patience < 0 || cfg.LostWait < 0 {
		return nil, fmt.Errorf("%w: negative limit, expected a positive duration", ErrUsage)
	}
	if cfg.Style, err = checkStyle(cfg.Style); err != nil {
		return nil, err
	}
	t := &Tester{cfg: cfg, job: job}
	t.doc = Document{Task: cfg.Task, ECUs: []*ECU{}, Problems: []string{}}
	t.seams = t.properSeams()
	t.takeStyle()
	t.l = link{
		functional: canbus.KeyOf(functional11, false), lostWait: cfg.LostWait, pace: properPace(), seams: &t.seams,
		say: t.say, problem: t.problem,
	}
	if err := t.takeDefect(cfg.Defect); err != nil {
		return nil, err
	}
	for _, u := range cfg.UDS {
		if u.Request == u.Respond {
			return nil, fmt.Errorf("%w: control unit %s listens and answers with %v, expected two identifiers", ErrUsage, u.Name, u.Request)
		}
		p := t.l.newPeer(u.Request, u.Respond, false)
		if u.Name != "" {
			p.ecu.Name = u.Name
		}
		t.l.peers = append(t.l.peers, p)
	}
	return t, nil
}

func orDefault(d, def time.Duration) time.Duration {
	if d == 0 {
		return def
	}
	return d
}

// Start is New in the shape in which a bench asks for a tool: args may hold
// "position", "output" and "vin".
func Start(task string, args map[string]string) (*Tester, error) { return StartWith("", task, args) }

// StartWith is Start for a tool with one of Defects, "" for none.
func StartWith(defect, task string, args map[string]string) (*Tester, error) {
	return StartAs(Config{Defect: defect}, task, args)
}

// StartAs is Start for a tool that is otherwise as cfg says.
func StartAs(cfg Config, task string, args map[string]string) (*Tester, error) {
	for _, k := range slices.Sorted(maps.Keys(args)) {
		if names := arguments(); !slices.Contains(names, k) {
			return nil, fmt.Errorf("%w: argument %q, expected one of %v", ErrUsage, k, names)
		}
	}
	cfg.Task, cfg.Position, cfg.Output, cfg.VIN = task, args["position"], args["output"], args["vin"]
	return New(cfg)
}

// Receive takes a frame of the bus.
func (t *Tester) Receive(now time.Duration, f *canbus.Frame) {
	t.enter(now)
	if !t.done && t.begun {
		t.l.receive(f)
	}
}

// Wants reports whether a frame of the bus can concern the tool, as the acceptance
// filter of its controller would: only such frames need be received.
func (t *Tester) Wants(f *canbus.Frame) bool { return !t.done && t.begun && t.l.wants(f) }

// Sent takes the confirmation that a frame from NextFrame is on the bus.
func (t *Tester) Sent(now time.Duration, f *canbus.Frame) {
	t.enter(now)
	if !t.done {
		t.l.sent(f)
	}
}

func (t *Tester) enter(now time.Duration) { t.l.now = max(t.l.now, now) }

// Tick lets time pass; the first call begins the task.
func (t *Tester) Tick(now time.Duration) {
	t.enter(now)
	switch {
	case t.done:
		return
	case !t.begun:
		t.begun = true
		t.started = now
		t.limit = now + t.cfg.Limit
		t.discover()
		return
	case t.closing && t.l.now >= t.endBy:
		t.conclude()
		return
	case !t.closing && t.l.now >= t.limit:
		t.stop(StatusStopped, fmt.Sprintf("not finished within %v", t.cfg.Limit))
		return
	}
	t.l.tick()
	if t.pausing && t.l.now >= t.pauseEnd && !t.done {
		t.pausing = false
		t.pauseFn()
	}
}

// Interrupt ends the task early: the session is left, then the document is
// written with StatusStopped.
func (t *Tester) Interrupt(now time.Duration) {
	t.enter(now)
	if !t.done && !t.closing {
		t.stop(StatusStopped, "interrupted")
	}
}

// Disconnect ends the task because the way to the bus is gone: nothing more can
// be sent, so the session cannot be left.
func (t *Tester) Disconnect(now time.Duration, reason string) {
	t.enter(now)
	if !t.done {
		t.session = nil
		t.stop(StatusLost, reason)
	}
}

// Deadline is the next moment at which Tick has something to do; false once
// the task is done.
func (t *Tester) Deadline() (time.Duration, bool) {
	if t.done {
		return 0, false
	}
	if !t.begun {
		return t.l.now, true
	}
	at := t.limit
	if t.closing {
		at = t.endBy
	}
	if d, ok := t.l.deadline(); ok {
		at = min(at, d)
	}
	if t.pausing {
		at = min(at, t.pauseEnd)
	}
	return at, true
}

// NextFrame sets f to the next frame for the bus, if there is one. Ask again
// until it says no, after every other call.
func (t *Tester) NextFrame(f *canbus.Frame) bool {
	return !t.done && t.l.nextFrame(f)
}

// NextLine is the next line of progress, as the process prints it on standard
// error.
func (t *Tester) NextLine() (string, bool) {
	if len(t.lines) == 0 {
		return "", false
	}
	s := t.lines[0]
	t.lines = t.lines[1:]
	return s, true
}

// Done tells the exit status once the task is done.
func (t *Tester) Done() (status int, ok bool) { return t.seams.exiting(t.doc.Status), t.done }

// Output is what the process prints on standard output: the document as JSON,
// nil before the task is done.
func (t *Tester) Output() []byte { return t.output }

// Document is the result as far as it is known.
func (t *Tester) Document() *Document { return &t.doc }

func (t *Tester) say(line string) {
	if len(t.lines) < maxLines {
		t.lines = append(t.lines, line)
	}
}

func (t *Tester) sayf(format string, args ...any) { t.say(fmt.Sprintf(format, args...)) }

func (t *Tester) problem(text string) {
	if len(t.doc.Problems) < maxLines {
		t.doc.Problems = append(t.doc.Problems, text)
	}
}

// ask begins a query and goes on with its replies.
func (t *Tester) ask(q query, then func([]*reply)) { t.seams.asking(q, then) }

// exchange has a query carried out; a car that has gone ends the task.
func (t *Tester) exchange(q query, then func([]*reply)) {
	t.l.begin(q, func(rs []*reply, lost bool) {
		if lost {
			t.lost()
			return
		}
		then(rs)
	})
}

func (t *Tester) lost() {
	t.session = nil
	if t.closing {
		t.conclude()
		return
	}
	if len(t.present()) == 0 {
		t.stop(StatusNoCar, "nobody on the bus acknowledges a frame")
		return
	}
	t.stop(StatusLost, fmt.Sprintf("no answer for %v: communication lost", t.cfg.LostWait))
}

// pause goes on after a while.
func (t *Tester) pause(d time.Duration, then func()) {
	t.pausing, t.pauseEnd, t.pauseFn = true, t.l.now+d, then
}

// stop ends the task, leaving an open session first if the car still answers.
func (t *Tester) stop(status int, reason string) {
	t.closing, t.pausing = true, false
	t.doc.Status, t.doc.Reason = status, reason
	t.endBy = t.l.now + closingWait
	t.l.ex = nil
	t.l.out = nil
	t.leaveSession(t.conclude)
}

// conclude writes the document.
func (t *Tester) conclude() {
	if t.done {
		return
	}
	t.done = true
	t.l.ex = nil
	t.l.keepAlive(false, nil)
	t.collect()
	t.seams.telling(&t.doc)
	t.say(t.doc.Reason)
	t.output = t.seams.printing(t.doc.encode())
}

// collect puts the control units into the document, those of OBD first, by
// identifier.
func (t *Tester) collect() {
	ps := t.present()
	slices.SortStableFunc(ps, func(a, b *peer) int {
		if a.obd != b.obd {
			if a.obd {
				return -1
			}
			return 1
		}
		return int(int64(a.tx) - int64(b.tx))
	})
	t.doc.ECUs = t.doc.ECUs[:0]
	for _, p := range ps {
		t.doc.ECUs = append(t.doc.ECUs, p.ecu)
		if t.doc.VIN == "" {
			t.doc.VIN = p.ecu.VIN
		}
	}
}

func (t *Tester) present() []*peer { return t.only(func(*peer) bool { return true }) }

// obd are the control units found that speak OBD, uds the others.
func (t *Tester) obd() []*peer { return t.only(func(p *peer) bool { return p.obd }) }
func (t *Tester) uds() []*peer { return t.only(func(p *peer) bool { return !p.obd }) }

func (t *Tester) only(want func(*peer) bool) []*peer {
	var ps []*peer
	for _, p := range t.l.peers {
		if p.present && want(p) {
			ps = append(ps, p)
		}
	}
	return ps
}

// step is a part of a task that calls next when it is through.
type step func(next func())

// sequence does steps one after the other.
func sequence(steps []step, then func()) {
	if len(steps) == 0 {
		then()
		return
	}
	steps[0](func() { sequence(steps[1:], then) })
}

// forEach does one step for each item.
func forEach[T any](items []T, do func(item T, next func()), then func()) {
	if len(items) == 0 {
		then()
		return
	}
	do(items[0], func() { forEach(items[1:], do, then) })
}
