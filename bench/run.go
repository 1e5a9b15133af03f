package bench

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/chance"
	"sawhorse/bench/judge"
	"sawhorse/bench/judge/monitor"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/judge/rules"
	"sawhorse/bench/metrics"
	"sawhorse/bench/plan"
	"sawhorse/bench/tool"
	"sawhorse/bench/trace"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/replay"
	"sawhorse/scenarios"
)

// settle is how long the run goes on after the last task when the scenario has
// nothing more to do and no expectation waits for something to happen.
const settle = 2 * time.Second

// eventBudget bounds a run's events for each second of its length, far above
// what a full bus and a busy tool need.
const eventBudget = 500_000

// Options are what a run needs beside its plan: nothing that its outcome depends
// on.
type Options struct {
	// Folder is where the plan's capture goes.
	Folder string
	// InBench starts the tool inside the bench, for a plan that says so.
	InBench tool.MachineFunc
	// Person is where the instructions for whoever holds an external tool go;
	// nil discards them. Answered, if not nil, gives a value when that person
	// says that the task is done.
	Person   io.Writer
	Answered <-chan struct{}
	// Folders are searched before PATH for the tool's program.
	Folders []string
	// Scenario is the plan's scenario as Scenario returns it, for many runs of
	// the same; nil reads it from the plan.
	Scenario *scenarios.Scenario
	// Trace has the result tell what the run showed.
	Trace   bool
	Metrics *metrics.Set
	Log     *slog.Logger
}

// Run is one scenario with one seed.
type Run struct {
	plan     *plan.Plan
	opt      Options
	scenario *scenarios.Scenario
	profile  *tool.Profile
	rig      *Rig
	judge    *monitor.Judge
	rules    *rules.Set
	said     *report.Set
	begin    *monitor.Watch
	trace    *trace.Trace
	capture  *capture.Writer
	replay   *replay.Replay
	tasks    *taskRunner
	partial  string // what there is of a capture that could not be written
	socket   string // folder of the bus's socket, made for this run
	ours     error  // our own fault, which ends the run
	ended    bool
	times    *times // of the driver and of the faults
	settleAt time.Duration
}

// Result is what became of a run.
type Result struct {
	Scenario *scenarios.Scenario
	Seed     uint64
	Verdicts []judge.Verdict
	// Length is the run's time, Frames the frames in its capture.
	Length time.Duration
	Frames int
	Events uint64
	// Capture and Plan are the files that the run left.
	Capture, Plan string
	// Trace is what the run showed, if that was asked for.
	Trace *trace.Trace
	// Replay tells about the background; nil without.
	Replay *replay.Stats
	// Err says why the run ended before its end: our own fault or the context's
	// end; nil for a whole run.
	Err error
}

// StoppedError says that a run was broken off from outside.
type StoppedError struct {
	At  time.Duration
	Err error // the context's
}

// Error says when.
func (e *StoppedError) Error() string {
	return fmt.Sprintf("stopped from outside at %v", e.At.Round(time.Millisecond))
}

// Unwrap is the context's error.
func (e *StoppedError) Unwrap() error { return e.Err }

// PlanName is the name of the plan's file, beside the capture.
const PlanName = "run.json"

// NewRun builds a run from its plan. Nothing has happened yet when it returns;
// the error is a usage error.
func NewRun(p *plan.Plan, opt Options) (_ *Run, err error) {
	r := &Run{plan: p, opt: opt}
	if r.opt.Log == nil {
		r.opt.Log = slog.New(slog.DiscardHandler)
	}
	if r.scenario = opt.Scenario; r.scenario == nil {
		if r.scenario, err = Scenario(p); err != nil {
			return nil, err
		}
	}
	if r.profile, err = parseProfile(p.Tool); err != nil {
		return nil, err
	}
	if p.InBench && opt.InBench == nil {
		return nil, errors.New("the plan wants the tool inside the bench, and there is none")
	}
	return r, nil
}

// Execute runs the scenario to its end and closes everything, also when ctx ends
// in the middle: the verdicts so far are then in the result, with ctx's error.
func (r *Run) Execute(ctx context.Context) (*Result, error) {
	res := &Result{
		Scenario: r.scenario, Seed: r.plan.Seed,
		Plan:    filepath.Join(r.opt.Folder, PlanName),
		Capture: filepath.Join(r.opt.Folder, r.plan.Capture),
	}
	err := r.setUp(ctx, res.Capture)
	if err == nil {
		err = r.plan.Write(res.Plan) // all is resolved, and nothing has happened yet
	}
	if err != nil {
		return nil, errors.Join(err, r.tearDown(false))
	}
	r.finish(res, r.loop(ctx))
	if err := r.tearDown(true); err != nil && res.Err == nil {
		res.Err = err
	}
	if r.partial != "" {
		res.Capture = r.partial
	}
	for _, v := range res.Verdicts {
		r.rig.Metrics.Verdict(v.Outcome.String())
	}
	return res, nil
}

// PanicError says that the program itself is wrong: a run broke off in a panic.
type PanicError struct {
	Value any
	Stack []byte
}

// Error tells the panic and the first place of this project in its stack.
func (e *PanicError) Error() string {
	where := ""
	for line := range strings.Lines(string(e.Stack)) {
		// The first frames are of the panic itself, and of who caught it.
		if i := strings.Index(line, ".go:"); i >= 0 && !strings.Contains(line, "/runtime/") && !strings.Contains(line, "bench/run.go") {
			where, _, _ = strings.Cut(strings.TrimSpace(line), " ")
			break
		}
	}
	return fmt.Sprintf("the bench panicked: %v at %s", e.Value, where)
}

// loop runs the loop to its end. A panic in it is our own fault, and no reason to lose
// the other runs and what this one has shown so far.
func (r *Run) loop(ctx context.Context) (err error) {
	defer func() {
		if p := recover(); p != nil {
			e := &PanicError{Value: p, Stack: debug.Stack()}
			r.opt.Log.Error("panic in a run", "scenario", r.scenario.Name, "seed", r.plan.Seed, "panic", p, "stack", string(e.Stack))
			err = e
		}
	}()
	return r.rig.Run(ctx, time.Duration(r.plan.Duration))
}

func (r *Run) setUp(ctx context.Context, captureFile string) (err error) {
	url, err := r.busURL()
	if err != nil {
		return err
	}
	for i := range r.plan.Networks {
		if err := r.plan.Networks[i].Check(); err != nil {
			return err
		}
	}
	r.rig, err = NewRig(Settings{
		Car: r.scenario.Car, Seed: chance.Seed(r.plan.Seed), Wall: r.plan.Time == plan.Wall,
		Bus: url, Rate: r.plan.Rate, DataRate: r.scenario.Bus.DataRate, Arm: r.plan.Arm,
		Metrics: r.opt.Metrics, Log: r.opt.Log, Networks: filepath.Dir(r.scenario.File),
	})
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(captureFile), 0o755); err != nil {
		return err
	}
	r.capture, err = capture.Create(captureFile, capture.Options{
		Buses: r.rig.busNames(), Origin: r.origin(), FlushEvery: time.Second, Lax: true,
	})
	if err != nil {
		return err
	}
	r.rig.watch.record = r.capture
	r.watchAll()
	if err := r.schedule(); err != nil {
		return err
	}
	if err := r.startBackground(); err != nil {
		return err
	}
	r.tasks = newTaskRunner(ctx, r, url)
	if err := r.tasks.check(); err != nil {
		return err
	}
	r.tasks.schedule()
	r.rig.Loop.SetBudget(eventBudget * uint64(max(1, time.Duration(r.plan.Duration)/time.Second)))
	return nil
}

// origin is the moment that the capture's times count from: fixed in virtual
// time, so that equal runs give equal files.
func (r *Run) origin() time.Time {
	if r.plan.Time == plan.Virtual {
		return time.Unix(0, 0).UTC()
	}
	return clock.WallTime()
}

// busURL is where the tool finds the bus: a process gets a socket of its own
// unless the plan names a bus.
func (r *Run) busURL() (string, error) {
	if r.plan.Bus != "mem:" || r.plan.InBench || r.profile.Kind == tool.KindExternal {
		return r.plan.Bus, nil
	}
	dir, err := os.MkdirTemp("", "sawhorse-")
	if err != nil {
		return "", err
	}
	r.socket = dir
	return "unix:" + filepath.Join(dir, "bus"), nil
}

// watchAll joins the judge to what can be seen.
func (r *Run) watchAll() {
	r.judge = monitor.New(r.scenario.Expect, monitor.Options{
		Truth: r.rig.Car.Truth, VIN: r.rig.Car.Spec().Identity.VIN, ECUs: r.rig.titles(),
	})
	r.rules = rules.New(r.conduct())
	r.rig.watch.rules = r.rules
	r.said = report.New(r.told())
	r.begin = monitor.NewWatch(r.rig.Car.Truth)
	r.times = &times{
		loop: r.rig.Loop, seed: chance.Seed(r.plan.Seed), start: r.begin.On, while: r.begin.While, rate: r.begin.Value, fail: r.failIf,
	}
	if r.opt.Trace {
		r.trace = trace.New(r.rig.Car.Truth)
		r.trace.Groups = r.rig.groups()
		r.rig.watch.trace = r.trace
	}
	r.rig.watch.observe = r.observe
	r.rig.watch.asks = func(id int) bool { return r.judge.AsksFrame(id) || r.begin.AsksFrame(id) }
	r.rig.faults.observe = r.observe
	next := sampleStep
	var sample func()
	t := r.rig.Loop.NewTimer(priorityJudge, func() { sample() })
	sample = func() {
		if r.trace != nil {
			r.trace.Sample(r.rig.Loop.Now())
		}
		r.judge.Sample(r.rig.Loop.Now())
		r.failIf(r.begin.Sample(r.rig.Loop.Now()))
		r.check()
		next += sampleStep
		t.Set(next)
	}
	t.Set(next)
}

// lag is what frames may take between a tool and the tap where both are processes.
const lag = 50 * time.Millisecond

// conduct is what the rules for every tool need to know.
func (r *Run) conduct() rules.Options {
	truth := r.rig.Car.Truth
	opt := rules.Options{
		Truth: func(name string) (float64, bool) {
			ref, ok := truth.Lookup(name)
			if !ok {
				return 0, false
			}
			return truth.Get(ref), true
		},
		Disturbs: func(id string) bool {
			h := r.rig.faults.find(id)
			return h != nil && h.fault.Entry().Disturbs()
		},
		Fresh:  r.profile.Kind != tool.KindExternal,
		Strict: r.scenario.Rules.Strict || r.plan.Strict, Exceptions: r.exceptions(),
	}
	if r.plan.Time == plan.Wall {
		opt.Lag = lag
	}
	for _, a := range r.rig.addresses {
		opt.Pairs = append(opt.Pairs, rules.Pair{Name: a.ecu, Request: a.request, Response: a.response})
	}
	return opt
}

// exceptions are the rules that the scenario does not hold against a tool.
func (r *Run) exceptions() map[string]string {
	list := map[string]string{}
	for _, e := range r.scenario.Rules.Except {
		list[e.Rule] = e.Because
	}
	return list
}

// told is what is needed to compare what the tool says with what was answered.
func (r *Run) told() report.Options {
	opt := report.Options{Exceptions: r.exceptions(), Requests: map[int]string{}}
	opt.Alters = func(id string) bool {
		h := r.rig.faults.find(id)
		return h != nil && !h.fault.Entry().SparesAnswers()
	}
	for _, a := range r.rig.addresses {
		opt.Requests[int(a.response.ID())] = a.request.String()
	}
	return opt
}

// observe hands one observation to everybody who waits for some.
func (r *Run) observe(o *judge.Observation) {
	if r.ended {
		return
	}
	if r.trace != nil {
		r.trace.Observe(o)
	}
	r.rules.Observe(o)
	r.said.Observe(o)
	r.judge.Observe(o)
	r.failIf(r.begin.Observe(o))
}

// check ends the run when there is nothing more to learn, or something of ours
// is broken.
func (r *Run) check() {
	now := r.rig.Loop.Now()
	r.failIf(r.rig.watch.err)
	if r.replay != nil {
		r.failIf(r.replay.Err())
	}
	if r.ours != nil {
		r.rig.Loop.Stop()
		return
	}
	if !r.tasks.over() || r.times.pending > 0 || r.judge.Waiting() {
		r.settleAt = now + settle
		return
	}
	if r.judge.Decided() || now >= r.settleAt {
		r.rig.Loop.Stop()
	}
}

// failIf notes our own fault, if it is one; the first counts.
func (r *Run) failIf(err error) {
	if r.ours == nil {
		r.ours = err
	}
}

func (r *Run) finish(res *Result, err error) {
	r.ended = true
	if err != nil && !errors.Is(err, context.Canceled) {
		r.failIf(err)
	}
	if r.ours != nil {
		r.judge.Blame(r.ours.Error())
		err = r.ours
	}
	res.Length = r.rig.Loop.Now()
	said, counts := r.said.Finish(res.Length)
	res.Verdicts = slices.Concat(r.judge.Finish(res.Length, err == nil), r.rules.Finish(res.Length, err == nil), said)
	for _, c := range counts {
		r.rig.Metrics.Said(c.Task, c.True, c.FalsePositives, c.FalseNegatives)
	}
	if r.trace != nil {
		r.trace.Close(res.Length)
		res.Trace = r.trace
	}
	res.Frames, res.Events = r.rig.watch.count, r.rig.Loop.Events()
	if r.replay != nil {
		s := r.replay.Stats()
		res.Replay = &s
	}
	switch {
	case errors.Is(err, context.Canceled):
		res.Err = &StoppedError{At: res.Length, Err: err}
	default:
		res.Err = err
	}
}

// tearDown closes everything. The capture keeps its name if the run got going.
func (r *Run) tearDown(keep bool) error {
	var errs []error
	if r.tasks != nil {
		r.tasks.close()
	}
	if r.capture != nil {
		if keep {
			if err := r.capture.Close(); err != nil {
				errs = append(errs, err)
				r.partial = r.capture.Part()
			}
		} else {
			errs = append(errs, r.capture.Abort())
		}
	}
	if r.rig != nil {
		errs = append(errs, r.rig.Close())
	}
	if r.socket != "" {
		errs = append(errs, os.RemoveAll(r.socket))
	}
	return errors.Join(errs...)
}

// LoadText reads a scenario from a plan or another text, with the vocabulary of
// the built-in cars and faults.
func LoadText(t plan.Text) (*scenarios.Scenario, error) {
	file := t.File
	if file == "" {
		file = t.Name + ".yaml"
	}
	return scenarios.Parse(file, []byte(t.Text), Vocabulary())
}
