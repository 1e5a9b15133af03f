package run

import (
	"fmt"
	"io"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/task"
	"sawhorse/bench/tool"
	"sawhorse/canbus/clock"
)

// person is somebody who does one task with a tool of his own, and types what it shows.
type person struct {
	tasks *Tasks
	task  *activeTask
	typed tool.Typed
	gone  chan struct{} // closed when the task has ended
	// sent are the requests that were seen on the bus meanwhile.
	sent int
}

// ask has whoever holds the tool do the task. It ends when that person says so, or at
// the limit: then nobody knows how it went.
func (t *Tasks) ask(a *activeTask, limit time.Duration) {
	values := t.values(a.task)
	values.Limit = limit
	text, err := a.entry.Instructions(values)
	if err != nil {
		t.end(a, judge.StatusOurs, err.Error(), nil)
		return
	}
	p := &person{tasks: t, task: a, gone: make(chan struct{})}
	a.person = p
	p.say("\nTask %s, at most %v: %s\n", a.task.Task, limit, text)
	if t.opt.Answered != nil {
		p.say("Type what the tool shows, a line each (%s; ? for more), then done, refused or not possible.\n", strings.Join(fieldNames(p.tells()), ", "))
	}
	loop := t.bench.Loop
	a.limit = loop.At(loop.Now()+limit, clock.PriorityTool, func() {
		p.leave()
		p.finish(judge.StatusNotSeen, fmt.Sprintf("nobody has said within %v how it ended", limit))
	})
	go func() {
		for {
			select {
			case line, ok := <-t.opt.Answered:
				if !ok {
					return // nobody types any more; the limit ends it
				}
				_ = loop.Post(func() { p.take(line) })
			case <-p.gone:
				return
			case <-t.ctx.Done():
				return
			}
		}
	}()
}

// observe counts what the tool sends while a person does a task.
func (t *Tasks) observe(o *judge.Observation) {
	if o.Kind == judge.Request && t.active != nil && t.active.person != nil {
		t.active.person.sent++
	}
}

func (p *person) say(format string, args ...any) {
	if w := p.tasks.opt.Person; w != nil {
		_, _ = io.WriteString(w, fmt.Sprintf(format, args...))
	}
}

// leave has nobody typed to any more.
func (p *person) leave() {
	select {
	case <-p.gone:
	default:
		close(p.gone)
	}
}

// take reads a typed line.
func (p *person) take(line string) {
	if p.tasks.active != p.task {
		return // the task has ended in the meantime
	}
	answer, done := p.typed.Take(line)
	if answer != "" {
		p.say("  %s\n", answer)
	}
	if !done {
		return
	}
	p.leave()
	ended, why := p.typed.Ended()
	text := "whoever holds the tool says: " + string(ended)
	if why != "" {
		text += ", " + why
	}
	switch {
	case ended == tool.EndedNotPossible:
		p.finish(judge.StatusNotApplicable, text)
	case p.sent == 0:
		p.finish(judge.StatusNotSeen, "the tool has sent nothing on the bus; "+text)
	case ended == tool.EndedRefused:
		p.finish(judge.StatusFailed, text)
	default:
		p.finish(judge.StatusOK, text)
	}
}

// finish ends the task with what was typed, and says what was not.
func (p *person) finish(status, text string) {
	if status == judge.StatusNotSeen {
		p.say("  %s: it is not decided.\n", text)
	}
	if untold := p.typed.Untold(p.tells()); len(untold) > 0 && status != judge.StatusNotApplicable {
		p.say("  Not told of %s, and so not compared: %s.\n", p.task.task.Task, strings.Join(untold, ", "))
	}
	r, reads := p.typed.Report()
	var report *judge.Report
	if reads != 0 && status != judge.StatusNotSeen { // what is said of nothing is no report
		report = said(&r, reads)
	}
	p.tasks.end(p.task, status, text, report)
}

// tells are the fields that one looks for in what a tool shows of the task.
func (p *person) tells() task.Fields {
	t, _ := task.Find(p.task.task.Task)
	return t.Tells
}

func fieldNames(of task.Fields) []string {
	var names []string
	for _, f := range task.EachField() {
		if of.Has(f.Field) {
			names = append(names, f.Name)
		}
	}
	return names
}
