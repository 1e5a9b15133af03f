package bench

import (
	"context"
	"fmt"
	"io"
	"maps"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/tool"
	"sawhorse/canbus/clock"
	"sawhorse/scenarios"
)

// toolNode is the name under which a tool inside the bench is on the bus.
const toolNode = "tool"

// taskRunner asks the tool for the scenario's tasks, one after the other.
type taskRunner struct {
	run    *Run
	ctx    context.Context
	url    string
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
	person  chan struct{} // closed when an external task has ended
}

func newTaskRunner(ctx context.Context, r *Run, url string) *taskRunner {
	return &taskRunner{run: r, ctx: ctx, url: url}
}

// schedule waits for the moment of the next task; one without a moment starts
// when the one before has ended.
func (t *taskRunner) schedule() {
	if t.over() {
		return
	}
	task := &t.run.scenario.Tasks[t.next]
	if !task.Start.Set {
		t.run.rig.Loop.At(t.run.rig.Loop.Now(), clock.PriorityTool, t.start)
		return
	}
	// A task whose moment comes while another still runs starts after it. A
	// condition may begin more than once, but a task starts once.
	index := t.next
	t.run.times.when(task.Start, func() {
		if t.next == index && t.active == nil {
			t.start()
		}
	})
}

// over reports whether every task has ended.
func (t *taskRunner) over() bool { return t.active == nil && t.next >= len(t.run.scenario.Tasks) }

func (t *taskRunner) start() {
	task := &t.run.scenario.Tasks[t.next]
	t.next++
	a := &activeTask{task: task}
	t.active = a
	o := t.saw(judge.TaskStart, a)
	t.run.observe(&o)
	entry, ok := t.run.profile.Entry(task.Task, t.args(task))
	if !ok {
		t.end(a, judge.StatusNotApplicable, "the tool's profile has no such task", nil)
		return
	}
	a.entry = entry
	limit := entry.Limit
	if task.Limit > 0 {
		limit = min(limit, task.Limit)
	}
	switch {
	case t.run.profile.Kind == tool.KindExternal:
		t.ask(a, limit)
	case t.run.plan.InBench:
		t.sit(a, limit)
	default:
		t.launch(a, limit)
	}
}

// args are the arguments of a task, the car's own number in its place.
func (t *taskRunner) args(task *scenarios.Task) map[string]string {
	args := maps.Clone(task.Args)
	if args["vin"] == scenarios.OfCar {
		args["vin"] = t.run.rig.Car.Spec().Identity.VIN
	}
	return args
}

func (t *taskRunner) saw(kind judge.Kind, a *activeTask) judge.Observation {
	o := t.run.rig.saw(kind)
	o.Task = a.task.Task
	return o
}

func (t *taskRunner) line(a *activeTask, text string) {
	if t.active != a {
		return
	}
	a.lines++
	o := t.saw(judge.Line, a)
	o.Text, o.Line = text, a.lines
	t.run.observe(&o)
}

// end closes a task and goes on to the next.
func (t *taskRunner) end(a *activeTask, status, text string, report *judge.Report) {
	if t.active != a {
		return
	}
	if a.limit != nil {
		a.limit.Stop()
	}
	o := t.saw(judge.TaskEnd, a)
	o.Status, o.Text, o.Report = status, text, report
	t.active = nil
	t.run.observe(&o)
	if status == judge.StatusOurs {
		t.run.failIf(fmt.Errorf("task %s: %s", a.task.Task, text))
	}
	t.schedule()
}

// finished ends a task whose tool came to an end by itself.
func (t *taskRunner) finished(a *activeTask, status int, output []byte) {
	outcome := a.entry.Outcome(status)
	text := fmt.Sprintf("exit status %d (%s)", status, outcome)
	report, err := t.run.profile.Extract(a.entry, output)
	if err != nil {
		t.end(a, judge.StatusCrashed, text+"; its output cannot be read: "+err.Error(), nil)
		return
	}
	t.end(a, statusOf(outcome), text, said(&report, a.entry.Reads()))
}

// sit runs the task inside the bench.
func (t *taskRunner) sit(a *activeTask, limit time.Duration) {
	m, err := t.run.opt.InBench(a.task.Task, t.args(a.task))
	if err != nil {
		t.end(a, judge.StatusOurs, err.Error(), nil)
		return
	}
	loop := t.run.rig.Loop
	a.seat, err = tool.Sit(loop, t.run.rig.Bus, toolNode, m,
		func(line string) { t.line(a, line) },
		tool.Ends{
			Done:    func(status int, output []byte) { t.finished(a, status, output) },
			Crashed: func(what string) { t.end(a, judge.StatusCrashed, "panic: "+what, nil) },
		})
	if err != nil {
		t.end(a, judge.StatusOurs, err.Error(), nil)
		return
	}
	t.run.rig.cable.join(toolNode)
	a.limit = loop.At(loop.Now()+limit, clock.PriorityTool, func() {
		a.seat.Leave()
		t.end(a, judge.StatusTimeout, fmt.Sprintf("not done within %v", limit), nil)
	})
}

func (t *taskRunner) invocation(task *scenarios.Task) tool.Invocation {
	values := tool.BusValues(t.url)
	values.Arguments = t.args(task)
	return tool.Invocation{Profile: t.run.profile, Task: task.Task, Values: values, Folders: t.run.opt.Folders}
}

// check reports a task that could not be started, before the run begins: half a
// minute into a run is late to hear that a program is not there.
func (t *taskRunner) check() error {
	if t.run.plan.InBench {
		return nil
	}
	for i := range t.run.scenario.Tasks {
		in := t.invocation(&t.run.scenario.Tasks[i])
		if err := in.Check(); err != nil {
			return err
		}
	}
	return nil
}

// launch runs the task as a process.
func (t *taskRunner) launch(a *activeTask, limit time.Duration) {
	loop := t.run.rig.Loop
	in := t.invocation(a.task)
	in.Limit = limit
	in.OnLine = func(l tool.Line) {
		// A tool that prints faster than the loop takes waits for it.
		_ = loop.PostWait(t.ctx, func() { t.line(a, l.Text) })
	}
	a.process = tool.Start(t.ctx, in)
	go func() {
		res := a.process.Wait()
		_ = loop.PostWait(t.ctx, func() { t.exited(a, res) }) // an ended loop needs no news
	}()
}

func (t *taskRunner) exited(a *activeTask, res *tool.Result) {
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

// ask has whoever holds the tool do the task. It ends when that person says so,
// or at the limit.
func (t *taskRunner) ask(a *activeTask, limit time.Duration) {
	values := tool.BusValues(t.url)
	values.Arguments = t.args(a.task)
	text, err := a.entry.Instructions(values)
	if err != nil {
		t.end(a, judge.StatusOurs, err.Error(), nil)
		return
	}
	if w := t.run.opt.Person; w != nil {
		fmt.Fprintf(w, "\nTask %s, at most %v: %s\n", a.task.Task, limit, text)
		if t.run.opt.Answered != nil {
			_, _ = io.WriteString(w, "Press Enter when it is done.\n")
		}
	}
	loop := t.run.rig.Loop
	a.person = make(chan struct{})
	done := func() {
		if t.active == a {
			close(a.person)
			t.end(a, judge.StatusOK, "done by whoever holds the tool", nil)
		}
	}
	a.limit = loop.At(loop.Now()+limit, clock.PriorityTool, done)
	go func() {
		select {
		case <-t.run.opt.Answered:
			_ = loop.Post(done)
		case <-a.person:
		case <-t.ctx.Done():
		}
	}()
}

// close ends what is still running, when the loop has ended: a process is killed
// with its group, and waited for.
func (t *taskRunner) close() {
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
		close(a.person)
	}
}
