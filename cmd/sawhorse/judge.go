package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"sawhorse/bench"
	"sawhorse/bench/judge"
	"sawhorse/bench/judge/recorded"
	said "sawhorse/bench/judge/report"
	"sawhorse/bench/plan"
	"sawhorse/bench/report"
	"sawhorse/bench/report/page"
	"sawhorse/bench/run"
	"sawhorse/bench/trace"
	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/scenarios"
)

// judgeOptions are the flags of judge.
type judgeOptions struct {
	scenario, said, car   string
	pairs                 []string
	strict, alone         bool
	page, junit, verdicts string
	quiet                 bool
}

func newJudgeCommand() *cobra.Command {
	var o judgeOptions
	cmd := &cobra.Command{
		Use:   "judge RECORDING",
		Short: "Judge a recording of a tool by the rules for every tool",
		Long: `Judge puts any recording of a tester with a car, real or stand-in, through the rules
for every tool (sawhorse rules lists them). Both directions must be in it. A recording
does not tell who has sent a frame: what is on an identifier of test equipment is the
tool's, everything else the car's. Rules that had no occasion are silent; what began
and was cut off by the recording's end is undecided.

Units beyond emission diagnostics (7E0 to 7EF) are told by --car, a stand-in car, or by
--pair. Beside the recording of a run, in its folder, lie its plan and its trace: the
tasks, faults and moves in them are used, so that this comes to what the run came to,
unless --alone says otherwise.

--scenario judges the expectations of a scenario that need frames only, too. --said
compares what the tool said with what the units answered; the file is a JSON object:

    {"vin": "SWH48PETREL000001", "ecus": ["7E0"], "stored": ["P0102"], "pending": [],
     "permanent": null, "lamp": "on", "readiness": {"catalyst": "incomplete"},
     "live": {"coolant_c": 90}}

An empty list says that there is nothing, null that it is not known.

The exit status is that of run: 0 all kept, 1 something was broken, 2 could not be
judged, 4 something could not be decided.`,
		Example: `  sawhorse judge drive.pcapng
  sawhorse judge drive.pcapng --pair 7A0:7A8:body --report pages
  sawhorse judge out/healthy/capture.pcapng --scenario healthy`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return o.run(cmd, args[0]) },
	}
	f := cmd.Flags()
	f.StringVar(&o.scenario, "scenario", "", "also judge this scenario's expectations that need frames only")
	f.StringVar(&o.said, "said", "", "compare what the tool said, a JSON file, with what was answered")
	f.StringVar(&o.car, "car", "", "the stand-in car whose units are in the recording")
	f.StringArrayVar(&o.pairs, "pair", nil, "a unit's identifiers REQUEST:RESPONSE[:NAME]; may be repeated")
	f.BoolVar(&o.strict, "strict", false, "rules that should be kept fail, too")
	f.BoolVar(&o.alone, "alone", false, "use nothing of what a run left beside its recording")
	f.StringVar(&o.page, "report", "", "write a page (HTML) into this folder")
	f.StringVar(&o.junit, "junit", "", "write the verdicts as JUnit XML")
	f.StringVar(&o.verdicts, "verdicts", "", "write the verdicts as JSON lines")
	f.BoolVarP(&o.quiet, "quiet", "q", false, "leave out what passed")
	return cmd
}

func (o *judgeOptions) run(cmd *cobra.Command, name string) error {
	opt, err := o.options(cmd.ErrOrStderr(), name)
	if err != nil {
		return err
	}
	src, err := capture.Open(name)
	if err != nil {
		return err
	}
	defer src.Close()
	t := trace.New(nil)
	opt.Observe = t.Observe
	opt.Frame = func(f *canbus.Frame, tool, touched bool) { t.Frame(f.Time, laneOf(f, tool, touched)) }
	if opt.Run != nil {
		for i := range opt.Run.Beside {
			t.Observe(&opt.Run.Beside[i])
		}
	}
	res, err := recorded.Judge(src, opt)
	if err != nil {
		return err
	}
	t.Close(res.Length)
	if res.Tool == 0 {
		return fmt.Errorf("%s: none of its %d frames is on an identifier of test equipment; --pair or --car tells others", name, res.Frames)
	}
	r := report.Run{
		Name: filepath.Base(name), Scenario: filepath.Base(name), Title: "The conduct of a tool, from a recording",
		Tool: "as recorded", Time: report.Recorded, Length: res.Length, Frames: res.Frames, Verdicts: res.Verdicts,
		Again: o.again(name), Capture: name, Trace: t,
	}
	return o.tell(cmd, &r, captureEnding(name))
}

func laneOf(f *canbus.Frame, tool, touched bool) trace.Lane {
	switch {
	case f.Has(canbus.Error):
		return trace.Errors
	case touched:
		return trace.Altered
	case tool:
		return trace.ToolFrames
	}
	return trace.CarFrames
}

// options gathers what the flags name, and what lies beside the recording.
func (o *judgeOptions) options(warn io.Writer, name string) (recorded.Options, error) {
	opt := recorded.Options{Strict: o.strict, Exceptions: map[string]string{}}
	if err := o.beside(&opt, name); err != nil {
		return opt, err
	}
	if opt.Pairs != nil || o.car != "" {
		opt.Running = bench.RoutineRuns
	}
	if o.car != "" {
		pairs, err := bench.Pairs(o.car)
		if err != nil {
			return opt, fmt.Errorf("--car: %w", err)
		}
		opt.Pairs = pairs
	}
	for _, text := range o.pairs {
		p, err := recorded.Pair(text)
		if err != nil {
			return opt, fmt.Errorf("--pair %w", err)
		}
		opt.Pairs = append(opt.Pairs, p)
	}
	if o.said != "" {
		f, err := os.Open(o.said)
		if err != nil {
			return opt, fmt.Errorf("--said: %w", err)
		}
		defer f.Close()
		if opt.Said, err = said.ReadSaid(f); err != nil {
			return opt, fmt.Errorf("--said: %s: %w", o.said, err)
		}
	}
	return opt, o.expect(&opt, warn)
}

// expect takes the expectations of a scenario that need frames only; the others are told.
func (o *judgeOptions) expect(opt *recorded.Options, warn io.Writer) error {
	if o.scenario == "" {
		return nil
	}
	list, err := findScenarios([]string{o.scenario})
	if err != nil {
		return err
	}
	if len(list) != 1 {
		return fmt.Errorf("--scenario %s: %d scenarios, want one", o.scenario, len(list))
	}
	sc := list[0]
	if opt.Pairs == nil {
		if opt.Pairs, err = bench.Pairs(sc.Car); err != nil {
			return err
		}
	}
	except(opt, sc)
	var left []string
	for _, e := range sc.Expect {
		if e.OnBus() {
			opt.Expect = append(opt.Expect, e)
		} else {
			left = append(left, e.ID)
		}
	}
	if len(left) > 0 {
		fmt.Fprintf(warn, "not judged, as frames alone do not tell: %s\n", strings.Join(left, ", "))
	}
	return nil
}

func except(opt *recorded.Options, sc *scenarios.Scenario) {
	opt.Strict = opt.Strict || sc.Rules.Strict
	for _, e := range sc.Rules.Except {
		opt.Exceptions[e.Rule] = e.Because
	}
}

// beside reads what a run has left in the folder of its recording.
func (o *judgeOptions) beside(opt *recorded.Options, name string) error {
	if o.alone {
		return nil
	}
	folder := filepath.Dir(name)
	p, err := plan.Read(filepath.Join(folder, run.PlanName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("%w; --alone leaves it out", err)
	}
	if p.Capture != filepath.Base(name) {
		return nil // another recording beside it
	}
	sc, err := run.Scenario(p)
	if err != nil {
		return fmt.Errorf("%w; --alone leaves the plan beside the recording out", err)
	}
	if opt.Pairs, err = bench.Pairs(sc.Car); err != nil {
		return err
	}
	f, err := os.Open(filepath.Join(folder, traceName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	t, err := trace.Read(f)
	if err != nil {
		return fmt.Errorf("%s: %w; --alone leaves it out", f.Name(), err)
	}
	except(opt, sc)
	opt.Strict = opt.Strict || p.Strict
	opt.Run = bench.Past(t, !held(p.Tool))
	opt.Run.Wall = p.Time == plan.Wall
	opt.Run.Origin, err = originOf(name, t)
	return err
}

// originOf is the time in a recording at which its run began: a message tells, which the
// trace has with its time and the number of its last frame.
func originOf(name string, t *trace.Trace) (time.Duration, error) {
	var first *trace.Event
	for _, e := range t.Events() {
		if e.Kind == judge.Request || e.Kind == judge.Response {
			first = &e
			break
		}
	}
	if first == nil {
		return 0, nil
	}
	src, err := capture.Open(name)
	if err != nil {
		return 0, err
	}
	defer src.Close()
	var f canbus.Frame
	for range first.Last {
		if err := src.Next(&f); err != nil {
			return 0, fmt.Errorf("%s: the trace beside it is of another recording (frame %d): %w; --alone leaves it out", name, first.Last, err)
		}
	}
	// A trace has whole microseconds; a run in virtual time began at 0.
	if d := f.Time - first.Time; d >= time.Microsecond {
		return d, nil
	}
	return 0, nil
}

// again is the command that judges once more.
func (o *judgeOptions) again(name string) string {
	words := []string{"sawhorse judge", quoted(name)}
	for _, f := range []struct{ flag, value string }{{"--scenario", o.scenario}, {"--said", o.said}, {"--car", o.car}} {
		if f.value != "" {
			words = append(words, f.flag, quoted(f.value))
		}
	}
	for _, p := range o.pairs {
		words = append(words, "--pair", quoted(p))
	}
	if o.strict {
		words = append(words, "--strict")
	}
	if o.alone {
		words = append(words, "--alone")
	}
	return strings.Join(words, " ")
}

// tell writes the table and the files.
func (o *judgeOptions) tell(cmd *cobra.Command, r *report.Run, ending string) error {
	out := cmd.OutOrStdout()
	if err := report.Table(out, r, report.TableOptions{Bold: isTerminal(out), Quiet: o.quiet}); err != nil {
		return err
	}
	runs := []report.Run{*r}
	for _, f := range []struct {
		flag, path string
		fill       func(io.Writer) error
	}{
		{"--junit", o.junit, func(w io.Writer) error { return report.JUnit(w, runs) }},
		{"--verdicts", o.verdicts, func(w io.Writer) error { return report.Lines(w, runs) }},
	} {
		if f.path == "" {
			continue
		}
		if err := writeFile(f.path, f.fill); err != nil {
			return fmt.Errorf("%s: %w", f.flag, err)
		}
	}
	if o.page != "" {
		beside := strings.TrimSuffix(r.Name, ending) + ending
		if err := placeFile(filepath.Join(o.page, beside), r.Capture); err != nil {
			return fmt.Errorf("--report: %w", err)
		}
		file := filepath.Join(o.page, strings.TrimSuffix(r.Name, ending)+".html")
		if err := writeFile(file, func(w io.Writer) error { return page.Write(w, r, page.Options{Capture: beside}) }); err != nil {
			return fmt.Errorf("--report: %w", err)
		}
	}
	if status := r.Status(); status != report.Passed {
		return failedError(status)
	}
	return nil
}
