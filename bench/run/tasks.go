package run

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"time"

	"sawhorse/bench"
	"sawhorse/bench/judge"
	"sawhorse/bench/tool"
	"sawhorse/canbus/clock"
	"sawhorse/scenarios"
)

// toolNode is the name under which a tool inside the bench is on the bus.
const toolNode = "tool"

// endTool is how long a tool may take to end when the run is over: to the time that a
// profile gives it between being asked and being killed come the losses of a busy
// machine.
const endTool = 30 * time.Second

// TaskOptions say how a tool is asked.
type TaskOptions struct {
	Profile *tool.Profile
	// InBench, if set, starts the tool inside the bench.
	InBench tool.MachineFunc
	// URL is where the tool finds the bus.
	URL string
	// Folders are searched before PATH for the tool's program.
	Folders []string
	// Person is where the instructions for whoever holds an external tool go; nil
	// discards them. Answered, if not nil, gives what that person types, a line
	// each; a closed one says that nobody types any more.
	Person   io.Writer
	Answered <-chan string
	// Printed, if set, gets what the tool printed for each task that it ended by itself,
	// and how that was.
	Printed func(task, ended string, e *tool.Entry, output []byte)
}

// Tasks asks a tool for tasks, one after the other. All methods belong to the loop.
type Tasks struct {
	bench  *bench.Bench
	script *bench.Script
	opt    TaskOptions
	list   []scenarios.Task
	ctx    context.Context
	next   int // the task that waits for its moment or for the one before
	active *activeTask
}

// activeTask is the task under way, in one of three ways.
type activeTask struct {
	task    *scenarios.Task
	entry   *tool.Entry
	lines   int
	limit   *clock.Timer
	seat    *tool.Seat    // inside the bench
	process *tool.Process // a program
	person  *person       // who does an external task
}

// NewTasks attaches the tasks of a tool to a bench; their moments are the script's.
// The error is a usage error: a program that is not there.
func NewTasks(ctx context.Context, b *bench.Bench, script *bench.Script, list []scenarios.Task, opt TaskOptions) (*Tasks, error) {
	t := &Tasks{bench: b, script: script, opt: opt, list: list, ctx: ctx}
	if err := t.check(); err != nil {
		return nil, err
	}
	b.OnObservation(t.observe)
	b.OnClose("the tool", endTool, func() error { t.close(); return nil })
	t.schedule()
	return t, nil
}

// schedule waits for the moment of the next task; one without a moment starts
// when the one before has ended.
func (t *Tasks) schedule() {
	if t.Over() {
		return
	}
	task := &t.list[t.next]
	if !task.Start.Set {
		t.bench.Loop.At(t.bench.Loop.Now(), clock.PriorityTool, t.start)
		return
	}
	// A task whose moment comes while another still runs starts after it. A
	// condition may begin more than once, but a task starts once.
	index := t.next
	t.script.When(task.Start, func() {
		if t.next == index && t.active == nil {
			t.start()
		}
	})
}

// Over reports whether every task has ended.
func (t *Tasks) Over() bool { return t.active == nil && t.next >= len(t.list) }

func (t *Tasks) start() {
	task := &t.list[t.next]
	t.next++
	a := &activeTask{task: task}
	t.active = a
	o := t.saw(judge.TaskStart, a)
	t.bench.Observe(&o)
	values := t.values(task)
	entry, ok := t.opt.Profile.EntryFor(task.Task, &values)
	if !ok {
		t.end(a, judge.StatusNotApplicable, "the tool's profile has no such task", nil)
		return
	}
	a.entry = entry
	limit := entry.Limit
	// A person takes his time: the scenario's limit is for programs.
	if task.Limit > 0 && t.opt.Profile.Kind != tool.KindExternal {
		limit = min(limit, task.Limit)
	}
	switch {
	case t.opt.Profile.Kind == tool.KindExternal:
		t.ask(a, limit)
	case t.opt.InBench != nil:
		t.sit(a, limit)
	default:
		t.launch(a, limit)
	}
}

// args are the arguments of a task, the car's own number in its place.
func (t *Tasks) args(task *scenarios.Task) map[string]string {
	args := maps.Clone(task.Args)
	if args["vin"] == scenarios.OfCar {
		args["vin"] = t.bench.Car.Spec().Identity.VIN
	}
	return args
}

func (t *Tasks) saw(kind judge.Kind, a *activeTask) judge.Observation {
	o := t.bench.Saw(kind)
	o.Task = a.task.Task
	return o
}

func (t *Tasks) line(a *activeTask, text string) {
	if t.active != a {
		return
	}
	a.lines++
	o := t.saw(judge.Line, a)
	o.Text, o.Line = text, a.lines
	t.bench.Observe(&o)
}

// end closes a task and goes on to the next.
func (t *Tasks) end(a *activeTask, status, text string, report *judge.Report) {
	if t.active != a {
		return
	}
	if a.limit != nil {
		a.limit.Stop()
	}
	o := t.saw(judge.TaskEnd, a)
	o.Status, o.Text, o.Report = status, text, report
	t.active = nil
	t.bench.Observe(&o)
	if status == judge.StatusOurs {
		t.bench.Fail(fmt.Errorf("task %s: %s", a.task.Task, text))
	}
	t.schedule()
}

// finished ends a task whose tool came to an end by itself.
func (t *Tasks) finished(a *activeTask, status int, output []byte) {
	outcome := a.entry.Outcome(status)
	text := fmt.Sprintf("exit status %d (%s)", status, outcome)
	if t.opt.Printed != nil {
		t.opt.Printed(a.task.Task, text, a.entry, output)
	}
	report, err := t.opt.Profile.Extract(a.entry, output)
	switch {
	case errors.Is(err, tool.ErrNoDocument):
		t.end(a, judge.StatusCrashed, text+"; its output cannot be read: "+err.Error(), nil)
		return
	case err != nil && t.opt.Printed != nil: // whoever looks at the output sees it
		t.end(a, judge.StatusFailed, text, nil)
		return
	case err != nil: // the tool has said something, but nobody knows what
		t.end(a, judge.StatusOurs, text+"; the profile does not fit what the tool printed: "+err.Error(), nil)
		return
	}
	t.end(a, statusOf(outcome), text, said(&report, a.entry.Reads()))
}

// sit runs the task inside the bench.
func (t *Tasks) sit(a *activeTask, limit time.Duration) {
	m, err := t.opt.InBench(a.task.Task, t.args(a.task))
	if err != nil {
		t.end(a, judge.StatusOurs, err.Error(), nil)
		return
	}
	loop := t.bench.Loop
	a.seat, err = tool.Sit(loop, t.bench.Bus, toolNode, m,
		func(line string) { t.line(a, line) },
		tool.Ends{
			Done:    func(status int, output []byte) { t.finished(a, status, output) },
			Crashed: func(what string) { t.end(a, judge.StatusCrashed, "panic: "+what, nil) },
		})
	if err != nil {
		t.end(a, judge.StatusOurs, err.Error(), nil)
		return
	}
	t.bench.Plugged(toolNode)
	a.limit = loop.At(loop.Now()+limit, clock.PriorityTool, func() {
		a.seat.Leave()
		t.end(a, judge.StatusTimeout, fmt.Sprintf("not done within %v", limit), nil)
	})
}

// values are what the placeholders of the profile get for a task.
func (t *Tasks) values(task *scenarios.Task) tool.Values {
	v := tool.BusValues(t.opt.URL)
	v.Arguments, v.Limit = t.args(task), task.Limit
	if c := t.bench.Car; c != nil {
		v.Car = c.Spec().Name
	}
	return v
}

func (t *Tasks) invocation(task *scenarios.Task) tool.Invocation {
	values := t.values(task)
	return tool.Invocation{Profile: t.opt.Profile, Task: task.Task, Values: values, Folders: t.opt.Folders}
}

// check reports a task that could not be started, before the run begins: half a
// minute into a run is late to hear that a program is not there.
func (t *Tasks) check() error {
	if t.opt.InBench != nil {
		return nil
	}
	for i := range t.list {
		in := t.invocation(&t.list[i])
		if err := in.Check(); err != nil {
			return err
		}
	}
	return nil
}

// launch runs the task as a process.
func (t *Tasks) launch(a *activeTask, limit time.Duration) {
	loop := t.bench.Loop
	in := t.invocation(a.task)
	in.Limit = limit
	in.OnLine = func(l tool.Line) {
		// A tool that prints faster than the loop takes waits for it.
		_ = loop.PostWait(t.ctx, func() { t.line(a, l.Text) })
	}
	in.OnStarved = func(by time.Duration) {
		_ = loop.Post(func() { loop.WasLate(by) }) // an ended loop needs no news
	}
	a.process = tool.Start(t.ctx, in)
	go func() {
		res := a.process.Wait()
		_ = loop.PostWait(t.ctx, func() { t.exited(a, res) }) // an ended loop needs no news
	}()
}

func (t *Tasks) exited(a *activeTask, res *tool.Result) {
	switch res.Reason {
	case tool.ReasonExited:
		t.finished(a, res.Status, res.Stdout)
	case tool.ReasonLimit:
		t.end(a, judge.StatusTimeout, res.String(), nil)
	case tool.ReasonNotStarted, tool.ReasonCancelled:
		t.end(a, judge.StatusOurs, res.String(), nil)
	default:
		t.end(a, judge.StatusCrashed, res.String(), nil)
	}
}

// close ends what is still running, when the loop has ended: a process is killed
// with its group, and waited for.
func (t *Tasks) close() {
	a := t.active
	t.active = nil
	switch {
	case a == nil:
	case a.seat != nil:
		a.seat.Leave()
	case a.process != nil:
		a.process.Stop()
		a.process.Wait()
	case a.person != nil:
		a.person.leave()
	}
}
