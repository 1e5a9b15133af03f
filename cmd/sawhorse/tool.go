package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"sawhorse/bench"
	"sawhorse/bench/car"
	"sawhorse/bench/report"
	"sawhorse/bench/run"
	"sawhorse/bench/task"
	"sawhorse/bench/tool"
	"sawhorse/cmd/demotool/tester"
	"sawhorse/scenarios"
)

// toolOptions are the flags of tool.
type toolOptions struct {
	try, car string
	tasks    []string
	cars     []string
}

func newToolCommand() *cobra.Command {
	o := &toolOptions{}
	cmd := &cobra.Command{
		Use:   "tool --try PROFILE",
		Short: "Try a tool's profile: each task once, and what was read from what",
		Long: `Tool tries a profile before a scenario does. A stand-in car with one fault (the wire of
the intake air sensor is broken) stands with the key on, and the tool does each task of
its profile once. For each is shown what of the profile has read what from where in the
output, and what it has looked for and not found. Nothing is judged.

Exit status: 0 every task was read; 1 a path or a line does not fit what the tool
printed; 2 could not be run; 3 the tool hung or crashed.`,
		Example: `  sawhorse tool --try mytool.profile.yaml
  sawhorse tool --try mytool.profile.yaml --car auklet-18 --task read-codes`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return o.run(cmd) },
	}
	f := cmd.Flags()
	f.StringVar(&o.try, "try", "", "tool profile: a file, or a built-in one by name")
	f.StringVar(&o.car, "car", car.Default, "the car that it is tried on")
	carsFlag(f, &o.cars)
	f.StringSliceVar(&o.tasks, "task", nil, "only these tasks")
	return cmd
}

// tried is what came of one task.
type tried struct {
	task, ended string
	readings    []tool.Reading
	err         error
}

func (o *toolOptions) run(cmd *cobra.Command) error {
	if o.try == "" {
		return errors.New("tool: want --try PROFILE")
	}
	if err := useCars(o.cars); err != nil {
		return err
	}
	text, err := profileText(o.try)
	if err != nil {
		return err
	}
	p, err := tool.Parse(text.Name, strings.NewReader(text.Text))
	if err != nil {
		return err
	}
	if p.Kind == tool.KindExternal {
		return fmt.Errorf("%s: a tool that is on the bus already prints nothing that could be read", o.try)
	}
	sc, err := o.scenario(p)
	if err != nil {
		return err
	}
	folder, err := os.MkdirTemp("", "sawhorse-try-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	own := p.Name == "demotool" && text.File == ""
	plan, err := run.Resolve(sc, run.Choices{Program: version(), Tool: text, InBench: own})
	if err != nil {
		return err
	}
	var list []tried
	r, err := run.New(plan, run.Options{
		Folder: folder, Scenario: sc, Folders: programFolders(),
		InBench: func(task string, args map[string]string) (tool.Machine, error) { return tester.Start(task, args) },
		Printed: func(task, ended string, e *tool.Entry, output []byte) {
			x := tried{task: task, ended: ended}
			x.readings, x.err = p.Readings(e, output)
			list = append(list, x)
		},
	})
	if err != nil {
		return err
	}
	res, err := r.Execute(cmd.Context())
	if err != nil {
		return err
	}
	if res.Err != nil {
		return res.Err
	}
	return o.tell(cmd.OutOrStdout(), sc, list)
}

// scenario asks for each task of the profile, with the first of the words that an entry
// is for.
func (o *toolOptions) scenario(p *tool.Profile) (*scenarios.Scenario, error) {
	var tasks, expect strings.Builder
	var done []string
	for _, e := range p.Entries {
		if slices.Contains(done, e.Task) || len(o.tasks) > 0 && !slices.Contains(o.tasks, e.Task) {
			continue
		}
		done = append(done, e.Task)
		args := ""
		if x, _ := task.Find(e.Task); x.Argument != nil {
			word := e.For[x.Argument.Name]
			switch {
			case word != "":
			case x.Argument.Words == nil:
				word = scenarios.OfCar
			default:
				word = x.Argument.Words[0]
			}
			args = fmt.Sprintf(", args: {%s: %s}", x.Argument.Name, word)
		}
		start := ""
		if len(done) == 1 {
			start = ", at: 5s"
		}
		fmt.Fprintf(&tasks, "  - {task: %s%s%s, limit: 60s}\n", e.Task, args, start)
		fmt.Fprintf(&expect, "  - {id: %s-ends, says: It ends, finished: {task: %s, status: [ok, failed]}}\n", e.Task, e.Task)
	}
	for _, name := range o.tasks {
		if !slices.Contains(done, name) {
			return nil, fmt.Errorf("--task %s: the profile has no such task, want one of its own", name)
		}
	}
	if len(done) == 0 {
		return nil, fmt.Errorf("%s: the profile has no task", o.try)
	}
	text := fmt.Sprintf(`scenario: try
title: A profile is tried
about: Each task once.
car: %s
duration: 20m
faults: [{fault: intake-air-open}]
driver: [{at: 0s, key: on, parking_brake: true}]
tasks:
%sexpect:
%s`, o.car, tasks.String(), expect.String())
	return scenarios.Parse("try.yaml", []byte(text), bench.Vocabulary())
}

// tell prints what was read of each task.
func (o *toolOptions) tell(w io.Writer, sc *scenarios.Scenario, list []tried) error {
	misfits, hung := 0, 0
	for i := range sc.Tasks {
		name := sc.Tasks[i].Task
		k := slices.IndexFunc(list, func(x tried) bool { return x.task == name })
		if k < 0 {
			hung++
			fmt.Fprintf(w, "%s: did not end by itself\n\n", name)
			continue
		}
		x := &list[k]
		fmt.Fprintf(w, "%s: %s\n", name, x.ended)
		if x.err != nil {
			misfits++
			fmt.Fprintf(w, "  the profile does not fit what it printed:\n")
			for line := range strings.Lines(x.err.Error()) {
				fmt.Fprintf(w, "    %s\n", strings.TrimSpace(line))
			}
		}
		tellReadings(w, x.readings)
		fmt.Fprintln(w)
	}
	switch {
	case misfits > 0:
		fmt.Fprintf(w, "The profile does not fit what %d of %d tasks printed.\n", misfits, len(list))
		return failedError(report.Failed)
	case hung > 0:
		fmt.Fprintf(w, "%d of %d tasks did not end by themselves.\n", hung, len(sc.Tasks))
		return failedError(report.GaveOut)
	}
	return nil
}

// shownPieces bounds what is shown of one entry of a profile.
const shownPieces = 4

// tellReadings groups readings by the entry that took them.
func tellReadings(w io.Writer, readings []tool.Reading) {
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	var order []string
	found := map[string][]tool.Reading{}
	for _, r := range readings {
		key := r.Entry
		if r.Line > 0 {
			key += fmt.Sprintf(" (line %d)", r.Line)
		}
		if !slices.Contains(order, key) {
			order = append(order, key)
		}
		if r.Found() {
			found[key] = append(found[key], r)
		}
	}
	if len(order) == 0 {
		fmt.Fprintf(t, "  nothing is read of its output\n")
	}
	for _, key := range order {
		rs := found[key]
		if len(rs) == 0 {
			fmt.Fprintf(t, "  %s\tnothing\t\n", key)
		}
		for i, r := range rs {
			if i == shownPieces {
				fmt.Fprintf(t, "  \tand %d more\t\n", len(rs)-i)
				break
			}
			name := key
			if i > 0 {
				name = ""
			}
			fmt.Fprintf(t, "  %s\t%s\t%s\n", name, r.Where, r.Piece)
		}
	}
	_ = t.Flush()
}
