package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"runtime"
	"slices"
	"strings"
	"unicode"

	"github.com/spf13/cobra"

	"sawhorse/bench/batch"
	"sawhorse/bench/metrics"
	"sawhorse/bench/plan"
	"sawhorse/bench/report"
	"sawhorse/bench/run"
	"sawhorse/bench/tool"
	"sawhorse/cmd/demotool/tester"
)

// Many runs are told more briefly: the tables of what passed are left out.
const manyRuns = 50

// runner does the jobs of one command.
type runner struct {
	o        *runOptions
	jobs     []job
	set      *metrics.Set
	person   io.Writer
	answered <-chan string
	keep     bool // also what passed
	baseline *report.Baseline
	crowd    crowd
}

// execute does the jobs and reports.
func (o *runOptions) execute(cmd *cobra.Command, jobs []job) error {
	for i := range jobs {
		if err := errors.Join(checkArmed(o.arm, jobs[i].plan.Bus), claim(jobs[i].folder, jobs[i].plan.Capture)); err != nil {
			return err
		}
	}
	r := &runner{o: o, jobs: jobs, set: metrics.New()}
	opt, err := r.options()
	if err != nil {
		return err
	}
	if r.external() { // else standard input is not ours to read
		r.person, r.answered = listen(cmd)
	}
	board := newBoard(cmd.ErrOrStderr(), jobs)
	opt.Watch = board.watch
	out := cmd.OutOrStdout()
	look := report.TableOptions{Bold: isTerminal(out), Quiet: o.quiet}
	var runs []report.Run
	var told error
	n, err := batch.Do(cmd.Context(), len(jobs), opt, r.attempt, func(i int, attempts []report.Run) {
		res := joined(attempts)
		runs = append(runs, res)
		if len(jobs) > manyRuns && res.Status() == report.Passed && !res.Flaky() && len(res.Known) == 0 {
			return
		}
		board.pause(func() { told = errors.Join(told, report.Table(out, &res, look)) })
	})
	board.close()
	stopped := errors.Is(err, context.Canceled) && cmd.Context().Err() != nil
	if err != nil && !stopped {
		return err
	}
	if told != nil {
		return told
	}
	if err := r.write(cmd, runs); err != nil {
		return err
	}
	if stopped {
		return fmt.Errorf("stopped after %d of %d scenarios", n, len(jobs))
	}
	switch status := report.Status(runs); {
	case status == report.CouldNot:
		return errors.New("not every scenario could be run to its end")
	case status == report.Passed || o.updateBaseline: // what fails is known from now on
		return nil
	default:
		return failedError(status)
	}
}

// options are how the batch is done, and what the flags say of it.
func (r *runner) options() (batch.Options, error) {
	o := r.o
	b := batch.Options{Workers: o.jobs, FailFast: o.failFast, Retry: o.retry}
	if o.jobs < 0 || o.retry < 0 {
		return b, fmt.Errorf("--jobs %d --retry %d: want 0 or more", o.jobs, o.retry)
	}
	wall := len(r.jobs) > 0 && r.jobs[0].plan.Time == plan.Wall
	if b.Retry > 0 && !wall {
		return b, errors.New("--retry: a run in virtual time does the same again; only in wall time it may pass at the second attempt")
	}
	switch {
	case wall:
		b.Workers, b.Limit = r.crowd.begin(b.Workers), r.crowd.limit
	case b.Workers == 0:
		b.Workers = runtime.GOMAXPROCS(0)
	}
	// One bus has room for one car, and a person has two hands.
	if shared := o.bus != "" && o.bus != "mem:" || r.external(); shared {
		if o.jobs > 1 {
			return b, fmt.Errorf("--jobs %d: runs on the bus %s with the tool %s come one after the other", o.jobs, o.bus, o.tool)
		}
		b.Workers = 1
	}
	return b, errors.Join(r.setKeep(), r.readBaseline())
}

// attempt does one run once.
func (r *runner) attempt(ctx context.Context, i, attempt int) (report.Run, bool, error) {
	j := &r.jobs[i]
	folder := j.folder
	if attempt > 1 {
		folder = fmt.Sprintf("%s.try%d", folder, attempt)
	}
	run, err := r.one(ctx, j, folder)
	if err != nil {
		return run, false, fmt.Errorf("scenario %s: %w", j.plan.Scenario.Name, err)
	}
	if r.baseline != nil && !r.o.updateBaseline {
		one := []report.Run{run}
		r.baseline.Apply(one)
		run = one[0]
	}
	passed := run.Status() == report.Passed
	err = r.leave(&run, folder, j.plan.Capture, passed && attempt == 1)
	if err != nil && run.Err == nil {
		return run, false, err
	}
	// Where the bench has failed already, what it could not leave comes on top of it.
	run.Err = errors.Join(run.Err, err)
	run.Trace = nil // it is in its file, and many of them are much
	return run, passed, nil
}

func (r *runner) one(ctx context.Context, j *job, folder string) (report.Run, error) {
	scenario, err := run.New(j.plan, run.Options{
		Folder: folder, Earlier: filesOf(j.plan.Capture), Person: r.person, Answered: r.answered, Metrics: r.set, Log: slog.Default(), Folders: programFolders(),
		Scenario: j.scenario, Profile: j.profile, Trace: true,
		Arm:     r.o.arm,
		InBench: func(task string, args map[string]string) (tool.Machine, error) { return tester.Start(task, args) },
	})
	if err != nil {
		return report.Run{}, err
	}
	res, err := scenario.Execute(ctx)
	if err != nil {
		return report.Run{}, err
	}
	r.crowd.note(res.Late)
	return told(j, res), nil
}

// told is what is reported of a result.
func told(j *job, res *run.Result) report.Run {
	t := report.Run{
		Name: j.name, Scenario: res.Scenario.Name, Title: res.Scenario.Title, About: res.Scenario.About, Complaint: res.Scenario.Complaint, Cautions: res.Scenario.Cautions, Person: held(j.plan.Tool), Seed: res.Seed,
		Tool: j.plan.Tool.Name, Time: j.plan.Time, Length: res.Length, Frames: res.Frames, Verdicts: res.Verdicts,
		Again: "sawhorse run --again " + quoted(res.Plan), Capture: res.Capture, Err: res.Err, Trace: res.Trace,
	}
	if res.Trace != nil {
		t.Signals = named(res.Trace.Names(), j.plan.Scenario.Text)
	}
	for _, p := range j.plan.Params {
		t.Params = append(t.Params, p.String())
	}
	return t
}

// named are those of the names that stand as words in a text; a control of the driver
// (clutch) stands for its signal (clutch_pct).
func named(names []string, text string) []string {
	words := map[string]bool{}
	for _, w := range strings.FieldsFunc(text, func(r rune) bool { return r != '_' && !unicode.IsLetter(r) && !unicode.IsDigit(r) }) {
		words[w] = true
	}
	return slices.DeleteFunc(names, func(n string) bool { return !words[n] && !words[strings.TrimSuffix(n, "_pct")] })
}

// joined is the attempt that counts, the last, with those before it.
func joined(attempts []report.Run) report.Run {
	last := attempts[len(attempts)-1]
	last.Earlier = attempts[:len(attempts)-1]
	return last
}

// external reports whether a person holds the tool.
func (r *runner) external() bool {
	if len(r.jobs) == 0 {
		return false
	}
	return held(r.jobs[0].plan.Tool)
}

// held reports whether a profile is of a tool in somebody's hand.
func held(t plan.Text) bool {
	p, err := tool.Parse(t.Name, strings.NewReader(t.Text))
	return err == nil && p.Kind == tool.KindExternal // a broken profile is told by the run
}
