package recorded

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/monitor"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/judge/rules"
	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
)

// Source gives the frames of a recording in their order; io.EOF ends it. Comment is
// what is written beside the frame given last.
type Source interface {
	Next(f *canbus.Frame) error
	Comment() string
}

// Options are what there is beside the frames.
type Options struct {
	// Pairs are units beyond those of emission diagnostics, which need not be told.
	Pairs []rules.Pair
	// Running, Exceptions, Strict and Only are those of the rules.
	Running    byte
	Exceptions map[string]string
	Strict     bool
	Only       []string
	// Expect are expectations that need frames only.
	Expect []monitor.Expectation
	// Said is what a tool said of it all; nil for nothing.
	Said *judge.Report
	// Run is what a run of the bench knew beside the bus; nil for any other recording.
	Run *Run
	// Observe, if set, is shown the messages, and Frame every frame of the first bus.
	Observe func(o *judge.Observation)
	Frame   func(f *canbus.Frame, tool, touched bool)
}

// Run is what a run of the bench knew beside the bus.
type Run struct {
	// Beside are the tasks, faults and moves of the driver, in their order.
	Beside []judge.Observation
	// Truth gives a true signal at a time.
	Truth func(name string, at time.Duration) (float64, bool)
	// Disturbs reports whether a fault keeps the tool from seeing the bus as it is.
	Disturbs func(fault string) bool
	// Fresh says that every task was a new process. Length is the run's time, Origin the
	// time in the recording at which it began.
	Fresh          bool
	Length, Origin time.Duration
	// Wall says that it was in wall time, where tool and recorder see a frame at
	// different moments.
	Wall bool
}

// Result is what it came to.
type Result struct {
	Verdicts []judge.Verdict
	// Length is the time from the first frame, or from the run's beginning. Frames
	// counts all, Tool those of the tool.
	Length       time.Duration
	Frames, Tool int
}

// judging is one recording being judged.
type judging struct {
	opt     Options
	rules   *rules.Set
	expect  *monitor.Judge
	said    *report.Set
	sniffer *isotp.Sniffer
	names   map[canbus.Key]string // of the units, by their response identifier
	asked   map[canbus.Key]string // by their request identifier
	begun   bool
	from    time.Duration // the first frame's time
	now     time.Duration
	res     Result
	seen    judge.Observation
}

// Judge reads a recording to its end. The error is the source's.
func Judge(src Source, opt Options) (*Result, error) {
	j := newJudging(opt)
	var f canbus.Frame
	for {
		err := src.Next(&f)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		j.res.Frames++
		j.frame(&f, src.Comment() != "")
	}
	j.finish()
	return &j.res, nil
}

// lag is how long before the recorder a tool may have seen a frame, or after it: who has
// recorded it, and where, nobody knows.
const lag = 50 * time.Millisecond

func newJudging(opt Options) *judging {
	j := &judging{
		opt: opt, expect: monitor.New(opt.Expect, monitor.Options{}),
		names: map[canbus.Key]string{}, asked: map[canbus.Key]string{},
	}
	ro := rules.Options{Pairs: opt.Pairs, Running: opt.Running, Exceptions: opt.Exceptions, Strict: opt.Strict, Only: opt.Only}
	if opt.Run == nil || opt.Run.Wall {
		ro.Lag = lag
	}
	if r := opt.Run; r != nil {
		ro.Fresh, ro.Disturbs = r.Fresh, r.Disturbs
		ro.Truth = func(name string) (float64, bool) { return r.Truth(name, j.now) }
	}
	j.rules = rules.New(ro)
	cfg := isotp.SnifferConfig{}
	told := report.Options{Exceptions: opt.Exceptions, Requests: map[int]string{}}
	for id := canbus.Key(0x7E0); id < 0x7E8; id++ {
		told.Requests[int(id.ID())+8] = id.String()
	}
	for _, p := range opt.Pairs {
		cfg.Pairs = append(cfg.Pairs, isotp.Address{Tx: p.Request, Rx: p.Response})
		j.names[p.Response], j.asked[p.Request] = p.Name, p.Name
		told.Requests[int(p.Response.ID())] = p.Request.String()
	}
	j.sniffer, j.said = isotp.NewSniffer(cfg), report.New(told)
	if opt.Said != nil {
		o := judge.Saw(judge.TaskStart, 0)
		j.said.Observe(&o)
	}
	return j
}

// frame takes one in. Buses behind a gateway are recorded too; what is judged is the
// first one, where the tool is.
func (j *judging) frame(f *canbus.Frame, touched bool) {
	if f.Bus != 0 {
		return
	}
	if r := j.opt.Run; r != nil {
		f.Time -= r.Origin
	} else {
		if !j.begun {
			j.begun, j.from = true, f.Time
		}
		f.Time = max(j.now, f.Time-j.from) // a recording that goes back stands still
	}
	j.beside(f.Time)
	j.now = max(j.now, f.Time)
	tool := j.rules.FromTool(f.Key()) && !f.Has(canbus.Error)
	if tool {
		j.res.Tool++
	}
	if j.opt.Frame != nil {
		j.opt.Frame(f, tool, touched)
	}
	if f.Has(canbus.Error) {
		return
	}
	no := j.res.Frames
	j.rules.See(no, f, !tool, touched)
	if j.expect.Frames().Has(int(f.ID)) {
		o := &j.seen
		*o = judge.Saw(judge.Frame, f.Time)
		o.First, o.Last, o.ID, o.Data = no, no, int(f.ID), f.Payload()
		j.expect.Observe(o)
	}
	msg, ok := j.sniffer.See(no, f)
	for ; ok; msg, ok = j.sniffer.Next() {
		j.message(&msg)
	}
}

// beside takes in what a run told up to a moment, in whole microseconds as a trace has
// them: what begins at the moment itself was there before the frame that ends at it, but
// a task ends, and the next one begins, after it.
func (j *judging) beside(at time.Duration) {
	if j.opt.Run == nil {
		return
	}
	list := &j.opt.Run.Beside
	micros := at.Truncate(time.Microsecond)
	for len(*list) > 0 {
		o := &(*list)[0]
		if t := o.Time.Truncate(time.Microsecond); t > micros || t == micros && (o.Kind == judge.TaskStart || o.Kind == judge.TaskEnd) {
			return
		}
		j.now = max(j.now, o.Time)
		j.rules.Observe(o)
		*list = (*list)[1:]
	}
}

// message takes in a whole message.
func (j *judging) message(m *isotp.Message) {
	if m.Kind != isotp.Whole || len(m.Payload) == 0 {
		return
	}
	kind, name := judge.Response, j.names[m.Key]
	if j.rules.FromTool(m.Key) {
		kind, name = judge.Request, j.asked[m.Key]
	}
	o := &j.seen
	*o = judge.Message(kind, m.End, m.Payload)
	o.First, o.Last, o.ID, o.ECU, o.Functional = m.First, m.Last, int(m.Key.ID()), name, m.Functional
	j.expect.Observe(o)
	j.said.Observe(o)
	if j.opt.Observe != nil {
		j.opt.Observe(o)
	}
}

func (j *judging) finish() {
	var list []judge.Verdict
	if r := j.opt.Run; r != nil {
		j.beside(r.Length + time.Millisecond)
		j.res.Length = r.Length
		list = j.rules.Finish(r.Length, true)
	} else {
		j.res.Length = j.now
		list = j.rules.FinishRecording(j.now)
	}
	j.res.Verdicts = slices.Concat(j.expect.Finish(j.now, true), list, j.compare())
}

// compare holds what was said against what was answered.
func (j *judging) compare() []judge.Verdict {
	if j.opt.Said == nil {
		return nil
	}
	o := judge.Saw(judge.TaskEnd, j.now)
	o.Task, o.Status, o.Report = "recording", judge.StatusOK, j.opt.Said
	j.said.Observe(&o)
	list, _ := j.said.Finish(j.now)
	return list
}

// Pair reads a unit's identifiers, request and response, as 7A0:7A8 or 7A0:7A8:NAME;
// eight digits are an identifier of 29 bit.
func Pair(text string) (rules.Pair, error) {
	parts := strings.SplitN(text, ":", 3)
	if len(parts) < 2 {
		return rules.Pair{}, fmt.Errorf("%q: want request and response identifier, such as 7A0:7A8", text)
	}
	var keys [2]canbus.Key
	for i := range keys {
		k, err := canbus.ParseKey(parts[i])
		if err != nil {
			return rules.Pair{}, fmt.Errorf("%q: %w", text, err)
		}
		keys[i] = k
	}
	p := rules.Pair{Name: parts[0], Request: keys[0], Response: keys[1]}
	if len(parts) == 3 {
		p.Name = parts[2]
	}
	if p.Request == p.Response {
		return p, fmt.Errorf("%q: request and response are the same", text)
	}
	return p, nil
}
