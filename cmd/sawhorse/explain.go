package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"sawhorse/bench/judge"
	"sawhorse/bench/metrics"
	"sawhorse/bench/plan"
	"sawhorse/bench/report"
	"sawhorse/bench/run"
	"sawhorse/bench/trace"
	"sawhorse/scenarios"
)

func newExplainCommand() *cobra.Command {
	var folders []string
	cmd := &cobra.Command{
		Use:   "explain RUN [EXPECTATION ...]",
		Short: "Tell how a verdict came about",
		Long: `Explain tells the story of a run's verdicts: what was expected and what came, what
was on at that moment, and the messages, lines and moves around what the verdict
rests on, with the frame numbers of the recording. RUN is the folder that a run left,
or its run.json. Without expectations, those that were not met are told; in a run that
passed, what there is to ask for.

It reads what the run left. Where that is gone but the plan is there and the run was in
virtual time, the run is done again, which comes to the same.`,
		Example: `  sawhorse explain out/clutch-learn
  sawhorse explain out/clutch-learn read-before-clearing`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := useCars(folders); err != nil {
				return err
			}
			return explain(cmd, args[0], args[1:])
		},
	}
	carsFlag(cmd.Flags(), &folders)
	return cmd
}

func explain(cmd *cobra.Command, name string, ids []string) error {
	folder := name
	if info, err := os.Stat(name); err != nil {
		return fmt.Errorf("%w; want the folder of a run, or its %s", err, run.PlanName)
	} else if !info.IsDir() {
		folder = filepath.Dir(name)
	} else {
		name = filepath.Join(folder, run.PlanName)
	}
	p, err := plan.Read(name)
	if err != nil {
		return err
	}
	sc, err := run.Scenario(p)
	if err != nil {
		return err
	}
	run, err := recall(cmd.Context(), folder, p, sc)
	if err != nil {
		return err
	}
	return tell(cmd, run, sc, ids)
}

// recall brings a run back: from what it left, else by doing it again.
func recall(ctx context.Context, folder string, p *plan.Plan, sc *scenarios.Scenario) (*report.Run, error) {
	run, err := recollect(folder)
	if errors.Is(err, fs.ErrNotExist) && p.Time == plan.Virtual {
		return again(ctx, p, sc)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w; the run was in wall time and would not come out the same again", err)
	}
	if err != nil {
		return nil, err
	}
	run.About, run.Complaint, run.Cautions = sc.About, sc.Complaint, sc.Cautions
	run.Signals = named(run.Trace.Names(), p.Scenario.Text)
	return run, nil
}

// recollect reads the verdicts and the trace of a folder.
func recollect(folder string) (*report.Run, error) {
	verdicts, err := os.Open(filepath.Join(folder, verdictsName))
	if err != nil {
		return nil, err
	}
	defer verdicts.Close()
	runs, err := report.ReadLines(verdicts)
	if err == nil && len(runs) != 1 {
		err = fmt.Errorf("%d runs, want one", len(runs))
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", verdicts.Name(), err)
	}
	file, err := os.Open(filepath.Join(folder, traceName))
	if err != nil {
		return nil, err
	}
	defer file.Close()
	if runs[0].Trace, err = trace.Read(file); err != nil {
		return nil, fmt.Errorf("%s: %w", file.Name(), err)
	}
	return &runs[0], nil
}

// again does a run in virtual time once more, in a folder of its own that is gone
// afterwards.
func again(ctx context.Context, p *plan.Plan, sc *scenarios.Scenario) (*report.Run, error) {
	dir, err := os.MkdirTemp("", "sawhorse-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	r := runner{o: &runOptions{}, set: metrics.New()}
	run, err := r.one(ctx, &job{plan: p, scenario: sc}, dir)
	run.Capture = ""
	return &run, err
}

// tell writes the stories.
func tell(cmd *cobra.Command, run *report.Run, sc *scenarios.Scenario, ids []string) error {
	out := cmd.OutOrStdout()
	var chosen []*judge.Verdict
	var known []string
	kept, said := 0, 0
	for i := range run.Verdicts {
		v := &run.Verdicts[i]
		switch {
		case !report.Kept(v):
			known = append(known, v.ID)
		case v.Group == judge.GroupReport:
			said++
		default:
			kept++
		}
		if len(ids) == 0 && !v.Outcome.Met() {
			chosen = append(chosen, v)
		}
	}
	for _, id := range ids {
		n := len(chosen)
		for i := range run.Verdicts {
			if run.Verdicts[i].ID == id {
				chosen = append(chosen, &run.Verdicts[i])
			}
		}
		if len(chosen) == n {
			return fmt.Errorf("expectation %q is not one of this run's %s", id, strings.Join(known, ", "))
		}
	}
	fmt.Fprintf(out, "%s: %s; seed %d\n", run.ID(), run.Title, run.Seed)
	if len(chosen) == 0 {
		fmt.Fprintf(out, "\nEverything was as expected. To ask for: %s\n", strings.Join(known, ", "))
		if kept > 0 {
			fmt.Fprintf(out, "Beside these, %d rules for every tool were kept; sawhorse rules lists them.\n", kept)
		}
		if said > 0 {
			fmt.Fprintf(out, "What the tool said was true in all of %d fields.\n", said)
		}
		return nil
	}
	for _, v := range chosen {
		fmt.Fprintln(out)
		if err := report.Story(out, run, v, wording(sc, v.ID)); err != nil {
			return err
		}
	}
	for _, c := range run.Cautions {
		fmt.Fprintf(out, "\nCaution, on a real car: %s\n", c)
	}
	return nil
}

// wording is the expectation's text in the scenario's file; "" if it has none.
func wording(sc *scenarios.Scenario, id string) string {
	lines := strings.Split(string(sc.Source), "\n")
	for i := range sc.Expect {
		e := &sc.Expect[i]
		if e.ID != id || e.Line < 1 || e.Line > len(lines) {
			continue
		}
		from := e.Line - 1
		lead := indentOf(lines[from])
		to := from + 1
		for to < len(lines) && strings.TrimSpace(lines[to]) != "" && indentOf(lines[to]) > lead {
			to++
		}
		var b strings.Builder
		for _, l := range lines[from:to] {
			b.WriteString(l[min(lead, len(l)):] + "\n")
		}
		return b.String()
	}
	return ""
}

func indentOf(line string) int { return len(line) - len(strings.TrimLeft(line, " ")) }
