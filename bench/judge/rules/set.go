package rules

import (
	"slices"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
)

// Pair is an ECU's place on the bus.
type Pair struct {
	Name              string
	Request, Response canbus.Key
}

// Options say what the rules need to know of a run.
type Options struct {
	// Pairs are the car's ECUs. Those in the range of emission diagnostics need
	// not be told.
	Pairs []Pair
	// Truth gives a true signal of the car, false if there is none of that name.
	Truth func(name string) (float64, bool)
	// Disturbs reports whether a fault keeps the tool from seeing or sending what
	// the tap sees. Nil means none does.
	Disturbs func(fault string) bool
	// Running is what the first byte of a routine's result is on this car while it
	// runs; 0 where that is not known.
	Running byte
	// Fresh says that every task is a new process, which knows nothing of the one
	// before.
	Fresh bool
	// Lag is the time that frames may take between tool and tap.
	Lag time.Duration
	// Exceptions are rules that the scenario does not hold against a tool, by id
	// with the reason.
	Exceptions map[string]string
	// Strict has rules of severity Should fail, too.
	Strict bool
	// Only, if set, judges just these rules.
	Only []string
}

// Set watches one run with all rules.
type Set struct {
	book    *book
	sniffer *isotp.Sniffer
	tallies []*tally
	watch   []watcher
	done    bool
	// low are the standard identifiers of diagnostics: those of the pairs, and of OBD
	// and UDS.
	low [(canbus.MaxStandardID + 1) / 64]uint64
	// frame, whole and beside are the events at hand, reused: no rule keeps one.
	frame, whole, beside event
	spoke                time.Duration // the tool's last frame
}

// New returns a set for one run.
func New(opt Options) *Set {
	if opt.Truth == nil {
		opt.Truth = func(string) (float64, bool) { return 0, false }
	}
	if opt.Disturbs == nil {
		opt.Disturbs = func(string) bool { return false }
	}
	s := &Set{book: newBook(opt)}
	cfg := isotp.SnifferConfig{}
	for _, p := range opt.Pairs {
		cfg.Pairs = append(cfg.Pairs, isotp.Address{Tx: p.Request, Rx: p.Response})
	}
	for id := range canbus.ID(canbus.MaxStandardID + 1) {
		if id == 0x7DF || id >= 0x7E0 && id <= 0x7EF || s.paired(canbus.KeyOf(id, false)) {
			s.low[id/64] |= 1 << (id % 64)
		}
	}
	s.sniffer = isotp.NewSniffer(cfg)
	list := All()
	for i := range list {
		if len(opt.Only) > 0 && !slices.Contains(opt.Only, list[i].ID) {
			continue
		}
		s.tallies = append(s.tallies, &tally{rule: &list[i], book: s.book})
		s.watch = append(s.watch, list[i].begin())
	}
	return s
}

// See takes frame number no of the run's capture, at f.Time. own says that a node of
// the bench has sent it, touched that a fault has changed it on its way, so that its
// form is not the sender's.
func (s *Set) See(no int, f *canbus.Frame, own, touched bool) {
	if f.Has(canbus.Error) || own && !s.concerns(f) {
		return
	}
	k := f.Key()
	if !own {
		s.spoke = f.Time
	}
	e := &s.frame
	*e = event{kind: toolFrame, at: f.Time, first: no, last: no, key: k, frame: f, touched: touched}
	if e.functional = functionalKey(k); !e.functional {
		e.unit = s.book.asked(k)
	}
	switch {
	case e.functional || e.unit != nil:
		if own {
			return // a recording with somebody else's tool in it
		}
	case !own:
		e.kind = strayFrame
		s.step(e)
		return
	default:
		e.kind = carFrame
		if e.unit = s.book.answering(k); e.unit == nil {
			return
		}
	}
	s.step(e)
	msg, ok := s.sniffer.See(no, f)
	for ; ok; msg, ok = s.sniffer.Next() {
		s.message(&msg, e)
	}
}

// FromTool reports whether an identifier is one that test equipment sends on: what is on
// it in a recording, which does not tell who has sent a frame, is the tool's.
func (s *Set) FromTool(k canbus.Key) bool {
	return functionalKey(k) || emission(k) || slices.ContainsFunc(s.book.opt.Pairs, func(p Pair) bool { return p.Request == k })
}

// concerns is a quick look at the identifier: most frames of a car are none of ours.
func (s *Set) concerns(f *canbus.Frame) bool {
	if id := f.ID; f.Has(canbus.Extended) {
		return id>>16 == 0x18DA || id>>16 == 0x18DB || s.paired(f.Key())
	}
	id := f.ID & canbus.MaxStandardID
	return s.low[id/64]>>(id%64)&1 != 0
}

func (s *Set) paired(k canbus.Key) bool {
	for i := range s.book.opt.Pairs {
		if p := &s.book.opt.Pairs[i]; p.Request == k || p.Response == k {
			return true
		}
	}
	return false
}

// message turns what the sniffer has put together into an event. of is the frame that
// ended it, which may be the other side's.
func (s *Set) message(m *isotp.Message, of *event) {
	e := &s.whole
	*e = event{
		at: m.End, first: m.First, last: m.Last, key: m.Key, functional: functionalKey(m.Key),
		touched: of.touched, length: m.Length, flow: m.Flow, result: m.Result,
	}
	fromTool := e.functional
	if !e.functional {
		e.unit = s.book.asked(m.Key)
		fromTool = e.unit != nil
	}
	if !fromTool {
		e.unit = s.book.answering(m.Key)
	}
	switch m.Kind {
	case isotp.Control:
		e.kind, e.frame = carFlow, of.frame
		if fromTool {
			e.kind = toolFlow
		}
	case isotp.Whole:
		if len(m.Payload) == 0 {
			return
		}
		e.kind = response
		kind := judge.Response
		if fromTool {
			e.kind, kind = request, judge.Request
		}
		e.m = judge.Message(kind, m.End, m.Payload)
	default:
		e.kind = carBroken
		if fromTool {
			e.kind = toolBroken
		}
	}
	s.step(e)
}

// Observe takes what the run tells beside the bus: tasks, faults and the key.
func (s *Set) Observe(o *judge.Observation) {
	e := &s.beside
	*e = event{at: o.Time, kind: other}
	switch o.Kind {
	case judge.TaskStart:
		e.kind, e.task = taskStart, o
	case judge.TaskEnd:
		e.kind, e.task = taskEnd, o
	case judge.FaultOn:
		if s.book.opt.Disturbs(o.Fault) {
			s.book.faults = append(s.book.faults, o.Fault)
		}
	case judge.FaultOff:
		if i := slices.Index(s.book.faults, o.Fault); i >= 0 {
			s.book.faults = slices.Delete(s.book.faults, i, i+1)
			s.book.altered = o.Time
		}
	case judge.Driver:
		if o.Control != "key" || o.Text != "key off" && o.Text != "key accessory" {
			return
		}
		e.kind = powerOff
	default:
		return
	}
	s.step(e)
}

func (s *Set) step(e *event) {
	if s.done {
		return
	}
	s.book.now = max(s.book.now, e.at)
	for i, w := range s.watch {
		w(e, s.book, s.tallies[i])
	}
	s.book.update(e)
}

// FinishRecording ends a recording. Nobody knows whether more would have come: where the
// tool was still at it (its sessions are not over yet), what it owes is undecided.
func (s *Set) FinishRecording(now time.Duration) []judge.Verdict {
	if left := s.spoke + s3Server - now; left > 0 {
		s.book.cut = true
	}
	return s.Finish(now, true)
}

// Finish ends the run and returns the verdicts of the rules that applied, in the
// order of All. complete is false for a run that was broken off: what was not over
// then is not held against the tool.
func (s *Set) Finish(now time.Duration, complete bool) []judge.Verdict {
	if complete {
		s.step(&event{kind: finish, at: now})
	}
	s.done = true
	var vs []judge.Verdict
	for _, t := range s.tallies {
		if v, ok := t.verdict(now); ok {
			vs = append(vs, v)
		}
	}
	return vs
}
