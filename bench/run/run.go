// Package run does runs of scenarios: a scenario and what a person chooses become a
// plan, in which nothing is left open; the plan becomes a bench with a script, a
// judge, a recording and a tool's tasks, and that a result.
package run

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/bench/judge"
	"sawhorse/bench/judge/monitor"
	"sawhorse/bench/metrics"
	"sawhorse/bench/plan"
	"sawhorse/bench/tool"
	"sawhorse/bench/trace"
	"sawhorse/canbus/capture"
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
	// Earlier are names of files that an earlier run has left there: they go when this
	// one begins, so that the folder never has a part of each.
	Earlier []string
	// InBench starts the tool inside the bench, for a plan that says so.
	InBench tool.MachineFunc
	// Arm names the physical interfaces that may be sent on: nothing that a plan
	// says.
	Arm []string
	// Person is where the instructions for whoever holds an external tool go;
	// nil discards them. Answered, if not nil, gives what that person types, a line
	// each; see tool.Typed.
	Person   io.Writer
	Answered <-chan string
	// Printed, if set, gets what the tool printed for each task, see TaskOptions.
	Printed func(task, ended string, e *tool.Entry, output []byte)
	// Folders are searched before PATH for the tool's program.
	Folders []string
	// Scenario is the plan's scenario as Scenario returns it, for many runs of
	// the same; nil reads it from the plan.
	Scenario *scenarios.Scenario
	// Profile is the plan's as Profile returns it, likewise.
	Profile *tool.Profile
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
	bench    *bench.Bench
	judge    *bench.Judge
	script   *bench.Script
	trace    *trace.Trace
	capture  *bench.Capture
	replay   *replay.Replay
	tasks    *Tasks
	socket   string // folder of the bus's socket, made for this run
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
	// Late is the worst lateness of a run in wall time, see clock.Loop.Late; 0 for one
	// that kept up.
	Late time.Duration
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

// New builds a run from its plan. Nothing has happened yet when it returns;
// the error is a usage error.
func New(p *plan.Plan, opt Options) (_ *Run, err error) {
	r := &Run{plan: p, opt: opt}
	if r.opt.Log == nil {
		r.opt.Log = slog.New(slog.DiscardHandler)
	}
	if r.scenario = opt.Scenario; r.scenario == nil {
		if r.scenario, err = Scenario(p); err != nil {
			return nil, err
		}
	}
	if r.profile = opt.Profile; r.profile == nil {
		if r.profile, err = Profile(p); err != nil {
			return nil, err
		}
	}
	if p.InBench && opt.InBench == nil {
		return nil, errors.New("the plan wants the tool inside the bench, and there is none")
	}
	return r, nil
}

// closeWithin is how long a file or a folder may take to be closed or taken away.
const closeWithin = 5 * time.Second

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
		err = r.begin(res.Plan) // all is resolved, and nothing has happened yet
	}
	if err != nil {
		return nil, errors.Join(err, r.abandon())
	}
	r.finish(res, r.loop(ctx))
	if err := r.bench.Close(); err != nil && res.Err == nil {
		res.Err = err
	}
	if r.capture.Err() != nil {
		res.Capture = r.capture.Part()
	}
	return res, nil
}

// begin takes away what an earlier run has left, and writes the plan.
func (r *Run) begin(file string) error {
	for _, name := range r.opt.Earlier {
		if err := os.Remove(filepath.Join(r.opt.Folder, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return r.plan.Write(file)
}

// abandon takes away what there is of a run that did not get going.
func (r *Run) abandon() error {
	var errs []error
	if r.capture != nil {
		errs = append(errs, r.capture.Abort())
	}
	if r.bench != nil {
		return errors.Join(append(errs, r.bench.Close())...)
	}
	return errors.Join(append(errs, r.removeSocket())...)
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
		if i := strings.Index(line, ".go:"); i >= 0 && !strings.Contains(line, "/runtime/") && !strings.Contains(line, "bench/run/run.go") {
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
	return r.bench.Run(ctx, r.length())
}

// length bounds the run. A person has the profile's time for each task, not the
// scenario's.
func (r *Run) length() time.Duration {
	d := time.Duration(r.plan.Duration)
	if r.profile.Kind != tool.KindExternal {
		return d
	}
	for i := range r.scenario.Tasks {
		if e, ok := r.profile.Entry(r.scenario.Tasks[i].Task, r.scenario.Tasks[i].Args); ok {
			d += e.Limit
		}
	}
	return d
}

// expectations are the scenario's, without bounds on the time of a task where a person
// does it: they are for programs.
func (r *Run) expectations() []monitor.Expectation {
	if r.profile.Kind != tool.KindExternal {
		return r.scenario.Expect
	}
	list := slices.Clone(r.scenario.Expect)
	for i := range list {
		if f, ok := list[i].Want.(monitor.Finished); ok {
			f.Within = 0
			list[i].Want = f
		}
	}
	return list
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
	r.bench, err = bench.New(bench.Settings{
		Car: r.scenario.Car, Seed: chance.Seed(r.plan.Seed), Wall: r.plan.Time == plan.Wall,
		Buses: []bench.Bus{{URL: url, Rate: r.plan.Rate, DataRate: r.scenario.Bus.DataRate}}, Arm: r.opt.Arm,
		Metrics: r.opt.Metrics, Log: r.opt.Log, Networks: filepath.Dir(r.scenario.File),
	})
	if err != nil {
		return err
	}
	for _, why := range r.bench.Silent() {
		return fmt.Errorf("a car that sends nothing proves nothing: %w, with --arm IFACE on the command line", why)
	}
	r.bench.OnClose("the socket's folder", closeWithin, r.removeSocket)
	if err := r.attach(ctx, url, captureFile); err != nil {
		return err
	}
	r.bench.Loop.SetBudget(eventBudget * uint64(max(1, time.Duration(r.plan.Duration)/time.Second)))
	return nil
}

// attach puts what the scenario asks for on the bench.
func (r *Run) attach(ctx context.Context, url, captureFile string) (err error) {
	if err := os.MkdirAll(filepath.Dir(captureFile), 0o755); err != nil {
		return err
	}
	r.capture, err = r.bench.Capture(captureFile, capture.Options{Lax: true, Replace: true}, nil)
	if err != nil {
		return err
	}
	if r.opt.Trace {
		r.trace = r.bench.Trace()
	}
	r.judge = r.bench.Judge(r.judging())
	if r.script, err = r.bench.Script(r.scenario.Driver, r.scenario.Faults); err != nil {
		return err
	}
	r.bench.OnSample(r.check)
	if err := r.startBackground(); err != nil {
		return err
	}
	opt := TaskOptions{
		Profile: r.profile, URL: url, Folders: r.opt.Folders, Person: r.opt.Person, Answered: r.opt.Answered, Printed: r.opt.Printed,
	}
	if r.plan.InBench {
		opt.InBench = r.opt.InBench
	}
	r.tasks, err = NewTasks(ctx, r.bench, r.script, r.scenario.Tasks, opt)
	return err
}

// Lag is what frames may take between a tool and the tap where both are processes.
const Lag = 50 * time.Millisecond

// judging is what the run is judged by.
func (r *Run) judging() bench.Judging {
	j := JudgingOf(r.scenario)
	j.Expect = r.expectations()
	j.Fresh, j.Strict = r.profile.Kind != tool.KindExternal, j.Strict || r.plan.Strict
	if r.plan.Time == plan.Wall {
		j.Lag = Lag
	}
	return j
}

// JudgingOf is what a scenario has a bench judged by, whoever works on it.
func JudgingOf(sc *scenarios.Scenario) bench.Judging {
	j := bench.Judging{Expect: sc.Expect, Strict: sc.Rules.Strict, Exceptions: map[string]string{}}
	for _, e := range sc.Rules.Except {
		j.Exceptions[e.Rule] = e.Because
	}
	return j
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

// removeSocket takes away the folder of the run's own socket.
func (r *Run) removeSocket() error {
	if r.socket == "" {
		return nil
	}
	return os.RemoveAll(r.socket)
}

// check ends the run when there is nothing more to learn, or something of ours
// is broken.
func (r *Run) check(now time.Duration) {
	if r.replay != nil {
		r.bench.Fail(r.replay.Err())
	}
	if !r.tasks.Over() || r.script.Pending() || r.judge.Waiting() {
		r.settleAt = now + settle
		return
	}
	if r.judge.Decided() || now >= r.settleAt {
		r.bench.Loop.Stop()
	}
}

func (r *Run) finish(res *Result, err error) {
	if err != nil && !errors.Is(err, context.Canceled) {
		r.judge.Blame(err.Error())
	}
	res.Length = r.bench.Loop.Now()
	res.Verdicts = r.judge.Finish(err == nil)
	if r.trace != nil {
		r.trace.Close(res.Length)
		res.Trace = r.trace
	}
	res.Frames, res.Events = r.bench.Frames(), r.bench.Loop.Events()
	for _, x := range r.bench.Loop.Late() {
		res.Late = max(res.Late, x.By)
	}
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

// LoadText reads a scenario from a plan or another text, with the vocabulary of
// the built-in cars and faults.
func LoadText(t plan.Text) (*scenarios.Scenario, error) {
	file := t.File
	if file == "" {
		file = t.Name + ".yaml"
	}
	return scenarios.Parse(file, []byte(t.Text), bench.Vocabulary())
}
