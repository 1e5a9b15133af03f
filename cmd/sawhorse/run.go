package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/bench/tool"
	"sawhorse/bench/tool/builtin"
	"sawhorse/scenarios"
)

// runOptions are the flags of run.
type runOptions struct {
	tool, junit, capture, bus, out, time, again   string
	seeds, shard, keep, paramFile                 string
	verdicts, metrics, baseline, report           string
	seed                                          uint64
	captures, params, cars, arm                   []string
	jobs, retry                                   int
	list, quiet, failFast, updateBaseline, strict bool

	seedSet bool
}

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
whatever is on the bus already: you are asked to do the tasks with it, and type what it
shows (? lists how), on the terminal or through a pipe, then done, refused or not
possible. You have the time that the profile gives, not the scenario's. A task during
which the tool has sent nothing is undecided.

Each run leaves its plan (run.json), its recording, its verdicts and a trace in a
folder below --out. run --again FILE repeats it, explain FOLDER tells the story of
what failed.

Many runs: --seeds and --param run each scenario with every choice of them, in
parallel. --params FILE has parameters in a file (YAML):

    each:                                 # every combination of these values
      air-mass-dead: {whole-plug: [true, false]}
    sets:                                 # with each of these sets, as they are
      - bus-flooded: {load: 30}
      - {bus-flooded: {load: 60}, bytes-overwritten: {ids: "7E8", bytes: FF}}

A set is for the scenarios that have all its faults. What is told comes in the same
order whatever ran first. With more than
100 runs only the folders of those that did not pass are kept, unless --keep says
otherwise. --shard 2/5 takes the second fifth, for one of five machines. --retry
does a failed run in wall time again; one that then passes counts as passed, but is
told as flaky, and its failed attempts are kept.

A baseline is a file of failures that are known: only others fail. What it lists and
now passes is told; --update-baseline writes it anew.

Exit status: 0 all passed; 1 an expectation was broken; 2 could not be run, through a
mistake in the command or the scenario or a fault of the bench; 3 the tool hung or
crashed; 4 something could not be decided. Where several apply it is the first of
2, 3, 1, 4.

` + cautions,
		Example: `  sawhorse run
  sawhorse run clutch-learn --seed 7
  sawhorse run --tool mytool.profile.yaml --junit results.xml --report pages
  sawhorse run clutch-learn --seeds 1-200
  sawhorse run my-scenarios/ --param air-mass-dead.whole-plug=true,false --shard 1/4
  sawhorse run --baseline known.json
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
	f.StringVar(&o.time, "time", "auto", "virtual, wall, or auto: virtual if the tool can run inside the bench")
	f.StringSliceVar(&o.captures, "captures", nil, "folders to look for background recordings in")
	armFlags(f, &o.arm)
	carsFlag(f, &o.cars)
	f.StringVar(&o.again, "again", "", "repeat the run of this run.json")
	f.BoolVar(&o.list, "list", false, "list the scenarios and run none")
	f.BoolVar(&o.quiet, "quiet", false, "show only what did not pass")
	f.BoolVar(&o.strict, "strict", false, "have rules for every tool that should be kept fail a run, too, not only those that must (see rules)")
	f.StringVar(&o.seeds, "seeds", "", "run each scenario with each of these seeds, such as 1-200 or 1,5,9-12")
	f.StringArrayVar(&o.params, "param", nil, "run each scenario that has this fault with each value: FAULT.PARAM=VALUE,VALUE; may be given again")
	f.StringVar(&o.paramFile, "params", "", "file (YAML) with parameters of many runs: each, whose values are combined, and sets, which are run as they are")
	f.IntVar(&o.jobs, "jobs", 0, "runs at once; 0 is one a core in virtual time; in wall time what the machine bears to begin with, and fewer when they come late")
	f.StringVar(&o.shard, "shard", "", "do only this part of all runs: PART/PARTS, such as 2/5")
	f.BoolVar(&o.failFast, "fail-fast", false, "end with the first run that does not pass")
	f.IntVar(&o.retry, "retry", 0, "how often a run in wall time that failed is done again")
	f.StringVar(&o.keep, "keep", keepAuto, "whose folders are kept: all, failed, or auto: all of up to 100 runs, else failed")
	f.StringVar(&o.verdicts, "verdicts", "", "write the verdicts to this file as JSON lines (see schema verdicts)")
	f.StringVar(&o.metrics, "metrics", "", "write the metrics of all runs to this file (.prom) for a collector of text files")
	f.StringVar(&o.report, "report", "", "write a page a run (HTML) to this folder, and the recording beside it")
	f.StringVar(&o.baseline, "baseline", "", "file of known failures: only others fail")
	f.BoolVar(&o.updateBaseline, "update-baseline", false, "write what fails to the --baseline file")
	return cmd
}

func (o *runOptions) run(cmd *cobra.Command, args []string) error {
	if err := useCars(o.cars); err != nil {
		return err
	}
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
	jobs, err := o.plan(list, choices)
	if err != nil {
		return err
	}
	return o.execute(cmd, jobs)
}

// repeat runs a plan again, into its own folder unless --out names another.
func (o *runOptions) repeat(cmd *cobra.Command, args []string) error {
	if len(args) > 0 || o.seed != 0 || o.bus != "" || o.seeds != "" || len(o.params) > 0 || o.paramFile != "" {
		return errors.New("--again repeats a run as it was: want no scenario, --seed, --seeds, --param, --params or --bus beside it")
	}
	p, err := plan.Read(o.again)
	if err != nil {
		return err
	}
	sc, err := run.Scenario(p)
	if err != nil {
		return err
	}
	j := job{plan: p, scenario: sc, folder: filepath.Dir(o.again)}
	if cmd.Flags().Changed("out") {
		j.folder = o.out
	}
	return o.execute(cmd, []job{j})
}

// choices are what the flags say of every run.
func (o *runOptions) choices() (run.Choices, error) {
	c := run.Choices{
		Seed: o.seed, SeedSet: o.seed != 0, Bus: o.bus, Captures: o.captures, Program: version(),
		Strict: o.strict,
	}
	own := o.tool == builtin.Default
	switch o.time {
	case "auto":
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

// listen lets the person who holds an external tool type what it shows: on a terminal,
// where what is typed before anybody asks is dropped, or through a pipe or from a file,
// where each line waits until it is asked for.
func listen(cmd *cobra.Command) (io.Writer, <-chan string) {
	in := cmd.InOrStdin()
	stale := make(<-chan time.Time)
	terminal := false
	if f, ok := in.(*os.File); ok {
		terminal = isTerminal(f)
	}
	answered := make(chan string)
	go func() {
		defer close(answered)
		for sc := bufio.NewScanner(in); sc.Scan(); {
			if terminal {
				stale = time.After(time.Second)
			}
			select {
			case answered <- sc.Text():
			case <-cmd.Context().Done():
				return
			case <-stale: // nobody asked
			}
		}
	}()
	return cmd.ErrOrStderr(), answered
}
