package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"sawhorse/bench"
	"sawhorse/bench/metrics"
	"sawhorse/bench/plan"
	"sawhorse/bench/report"
	"sawhorse/bench/tool"
	"sawhorse/bench/tool/builtin"
	"sawhorse/cmd/demotool/tester"
	"sawhorse/scenarios"
)

// runOptions are the flags of run.
type runOptions struct {
	tool, junit, capture, bus, out, time, arm, again string
	seed                                             uint64
	captures                                         []string
	list, quiet                                      bool

	seedSet bool
}

// Times that --time takes.
const (
	timeAuto = "auto"
)

func newRunCommand() *cobra.Command {
	var o runOptions
	cmd := &cobra.Command{
		Use:   "run [SCENARIO ...]",
		Short: "Run scenarios and judge the tool",
		Long: `Run puts a car on a bus for each scenario, lets the tool do the scenario's tasks,
and prints verdicts. Scenarios are files, folders of files, or names of built-in
ones; without any, all built-in ones run.

The tool is told by a profile, a YAML file that says how it does each task (see
the README). The default, demotool, runs inside the bench in virtual time: a whole
diagnosis takes milliseconds. Any other tool is a process in wall time, which finds
the bus in the environment variable SAWHORSE_BUS. The profile external stands for
whatever is on the bus already: you are asked to do the tasks with it.

Each run leaves its plan (run.json) and its recording in a folder below --out,
and run --again FILE repeats it.

Exit status: 0 all passed, 1 some failed, 2 could not run.

` + cautions,
		Example: `  sawhorse run
  sawhorse run clutch-learn --seed 7
  sawhorse run --tool mytool.profile.yaml --junit results.xml
  sawhorse run --again out/clutch-learn/run.json`,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.seedSet = cmd.Flags().Changed("seed") || o.seed != 0
			return o.run(cmd, args)
		},
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			return scenarios.Names(), cobra.ShellCompDirectiveDefault
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.tool, "tool", builtin.Default, "tool profile: a file, or one of "+strings.Join(builtin.Names(), ", "))
	f.Uint64Var(&o.seed, "seed", 0, "root of all chance; 0 takes each scenario's own")
	f.StringVar(&o.junit, "junit", "", "write the verdicts to this file as JUnit XML")
	f.StringVar(&o.capture, "capture", "", "where the recording goes (.pcapng or .csv), for a single scenario; run.json goes beside it")
	f.StringVar(&o.bus, "bus", "", "bus to use: mem:, unix:PATH or can:IFACE; default an embedded one")
	f.StringVar(&o.out, "out", "out", "folder for the runs' plans and recordings, one folder a scenario")
	f.StringVar(&o.time, "time", timeAuto, "virtual, wall, or auto: virtual if the tool can run inside the bench")
	f.StringSliceVar(&o.captures, "captures", nil, "folders to look for background recordings in")
	f.StringVar(&o.arm, "arm", "", "physical interface that may be sent on")
	f.StringVar(&o.again, "again", "", "repeat the run of this run.json")
	f.BoolVar(&o.list, "list", false, "list the scenarios and run none")
	f.BoolVar(&o.quiet, "quiet", false, "show only what did not pass")
	return cmd
}

func (o *runOptions) run(cmd *cobra.Command, args []string) error {
	if o.again != "" {
		return o.repeat(cmd, args)
	}
	list, err := findScenarios(args)
	if err != nil {
		return err
	}
	if o.list {
		t := newTable(cmd.OutOrStdout(), "")
		for _, s := range list {
			t.row(s.Name, s.Title)
		}
		t.flush()
		return nil
	}
	if o.capture != "" && len(list) != 1 {
		return fmt.Errorf("--capture names one file, and there are %d scenarios: want one, or --out", len(list))
	}
	choices, err := o.choices()
	if err != nil {
		return err
	}
	var jobs []job
	for _, s := range list {
		j := job{folder: filepath.Join(o.out, s.Name)}
		c := choices
		if o.capture != "" {
			j.folder, c.Capture = filepath.Dir(o.capture), filepath.Base(o.capture)
		}
		if j.plan, err = bench.Resolve(s, c); err != nil {
			return err
		}
		jobs = append(jobs, j)
	}
	return o.execute(cmd, jobs)
}

// job is one run to do.
type job struct {
	plan   *plan.Plan
	folder string
}

// repeat runs a plan again, into its own folder unless --out names another.
func (o *runOptions) repeat(cmd *cobra.Command, args []string) error {
	if len(args) > 0 || o.seed != 0 || o.bus != "" {
		return errors.New("--again repeats a run as it was: want no scenario, --seed or --bus beside it")
	}
	p, err := plan.Read(o.again)
	if err != nil {
		return err
	}
	j := job{plan: p, folder: filepath.Dir(o.again)}
	if cmd.Flags().Changed("out") {
		j.folder = o.out
	}
	return o.execute(cmd, []job{j})
}

// choices are what the flags say of every run.
func (o *runOptions) choices() (bench.Choices, error) {
	c := bench.Choices{
		Seed: o.seed, SeedSet: o.seed != 0, Bus: o.bus, Arm: o.arm, Captures: o.captures, Program: version(),
	}
	own := o.tool == builtin.Default
	switch o.time {
	case timeAuto:
		c.InBench = own && (o.bus == "" || o.bus == "mem:")
	case plan.Virtual:
		if !own {
			return c, fmt.Errorf("--time virtual: the tool %s is a process and lives in wall time; only demotool runs inside the bench", o.tool)
		}
		c.InBench = true
	case plan.Wall:
		c.Wall = true
	default:
		return c, fmt.Errorf("--time %q: want auto, virtual or wall", o.time)
	}
	var err error
	c.Tool, err = profileText(o.tool)
	return c, err
}

// profileText reads a tool profile: a built-in one by name, else a file.
func profileText(name string) (plan.Text, error) {
	if slices.Contains(builtin.Names(), name) {
		src, err := builtin.Source(name)
		return plan.Text{Name: name, Text: string(src)}, err
	}
	p, err := tool.Load(name)
	if errors.Is(err, fs.ErrNotExist) {
		return plan.Text{}, fmt.Errorf("%w; want a file or one of %s", err, strings.Join(builtin.Names(), ", "))
	}
	if err != nil {
		return plan.Text{}, err
	}
	src, err := os.ReadFile(name)
	if err != nil {
		return plan.Text{}, err
	}
	file, err := filepath.Abs(name)
	return plan.Text{Name: p.Name, File: file, Text: string(src)}, err
}

// execute does the jobs one after the other and reports.
func (o *runOptions) execute(cmd *cobra.Command, jobs []job) error {
	out := cmd.OutOrStdout()
	opt := report.TableOptions{Bold: isTerminal(out), Quiet: o.quiet}
	person, answered := listen(cmd)
	set := metrics.New()
	var runs []report.Run
	var stopped error
	for i, j := range jobs {
		done := announce(cmd.ErrOrStderr(), i+1, len(jobs), j.plan)
		res, err := o.one(cmd.Context(), j, set, person, answered)
		done()
		if err != nil {
			return err
		}
		if err := report.Table(out, &res, opt); err != nil {
			return err
		}
		runs = append(runs, res)
		if cmd.Context().Err() != nil {
			stopped = fmt.Errorf("stopped after %d of %d scenarios", i+1, len(jobs))
			break
		}
	}
	if len(jobs) > 1 {
		if err := report.Summary(out, runs); err != nil {
			return err
		}
	}
	if o.junit != "" {
		var b bytes.Buffer
		if err := report.JUnit(&b, runs); err != nil {
			return err
		}
		if err := plan.WriteWhole(o.junit, b.Bytes()); err != nil {
			return fmt.Errorf("--junit: %w", err)
		}
	}
	switch status := report.Status(runs); {
	case stopped != nil:
		return stopped
	case status == report.CouldNot:
		return errors.New("not every scenario could be run to its end")
	case status == report.Failed:
		return errFailed
	}
	return nil
}

func (o *runOptions) one(ctx context.Context, j job, set *metrics.Set, person io.Writer, answered <-chan struct{}) (report.Run, error) {
	r, err := bench.NewRun(j.plan, bench.Options{
		Folder: j.folder, Person: person, Answered: answered, Metrics: set, Log: slog.Default(), Folders: programFolders(),
		InBench: func(task string, args map[string]string) (tool.Machine, error) { return tester.Start(task, args) },
	})
	if err != nil {
		return report.Run{}, err
	}
	res, err := r.Execute(ctx)
	if err != nil {
		return report.Run{}, fmt.Errorf("scenario %s: %w", j.plan.Scenario.Name, err)
	}
	return report.Run{
		Scenario: res.Scenario.Name, Title: res.Scenario.Title, Seed: res.Seed, Length: res.Length, Frames: res.Frames,
		Verdicts: res.Verdicts, Again: "sawhorse run --again " + quoted(res.Plan), Capture: res.Capture, Err: res.Err,
	}, nil
}

// programFolders is where the tools that come with this program lie.
func programFolders() []string {
	exe, err := os.Executable()
	if err != nil {
		return nil
	}
	return []string{filepath.Dir(exe)}
}

// quoted writes a file name as a shell takes it.
func quoted(name string) string {
	if strings.IndexFunc(name, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("._-/+=:,@", r))
	}) < 0 {
		return name
	}
	return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'"
}

// listen lets the person who holds an external tool answer with Enter.
func listen(cmd *cobra.Command) (io.Writer, <-chan struct{}) {
	in, ok := cmd.InOrStdin().(*os.File)
	if !ok || !isTerminal(in) {
		return cmd.ErrOrStderr(), nil
	}
	answered := make(chan struct{})
	go func() {
		for sc := bufio.NewScanner(in); sc.Scan(); {
			select {
			case answered <- struct{}{}:
			case <-cmd.Context().Done():
				return
			case <-time.After(time.Second): // nobody asked
			}
		}
	}()
	return cmd.ErrOrStderr(), answered
}

// announce says on a terminal what is being run, and takes the line away again.
func announce(w io.Writer, i, n int, p *plan.Plan) func() {
	if !isTerminal(w) {
		return func() {}
	}
	begun := time.Now()
	line := func() {
		fmt.Fprintf(w, "\r\x1b[K%d of %d: %s, %v of at most %v", i, n, p.Scenario.Name, time.Since(begun).Round(time.Second), time.Duration(p.Duration))
	}
	line()
	stop, gone := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(gone)
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				fmt.Fprint(w, "\r\x1b[K")
				return
			case <-tick.C:
				line()
			}
		}
	}()
	return func() { close(stop); <-gone }
}
