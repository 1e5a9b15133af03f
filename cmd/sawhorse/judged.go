package main

import (
	"fmt"
	"io"

	"github.com/spf13/pflag"

	"sawhorse/bench"
	"sawhorse/bench/plan"
	"sawhorse/bench/report"
	"sawhorse/bench/run"
	"sawhorse/scenarios"
)

// judgedFlags have the daemon's bench driven by a scenario's script, and judged, beside
// the hand that works on it.
type judgedFlags struct {
	name   string
	judged bool

	scenario *scenarios.Scenario // nil without
	judge    *bench.Judge        // nil without
}

func (o *judgedFlags) register(f *pflag.FlagSet) {
	f.StringVar(&o.name, "scenario", "", "have the driver and the faults of this scenario (a file, or the name of a built-in one) come by themselves, and judge what it expects; its tasks are yours to do")
	f.BoolVar(&o.judged, "judge", false, "judge whoever works on the car by the rules for every tool; the verdicts come at the end, and make the exit status as with run")
}

// load reads the scenario, if one was asked for.
func (o *judgedFlags) load() error {
	if o.name == "" {
		return nil
	}
	list, err := findScenarios([]string{o.name})
	if err != nil {
		return fmt.Errorf("--scenario: %w", err)
	}
	if len(list) != 1 {
		return fmt.Errorf("--scenario %s: %d scenarios, want one", o.name, len(list))
	}
	o.scenario, o.judged = list[0], true
	return nil
}

// attach puts judge and script on the bench.
func (o *judgedFlags) attach(b *bench.Bench) error {
	if !o.judged {
		return nil
	}
	j := bench.Judging{Lag: run.Lag}
	if sc := o.scenario; sc != nil {
		j = run.JudgingOf(sc)
		j.Lag = run.Lag
	}
	o.judge = b.Judge(j)
	if o.scenario == nil {
		return nil
	}
	_, err := b.Script(o.scenario.Driver, o.scenario.Faults)
	return err
}

// tell prints the verdicts when the bench has ended, if there are any. A bench that is
// stopped has come to no end of its own: what still waits is undecided.
func (o *judgedFlags) tell(w io.Writer, b *bench.Bench, seed uint64) error {
	if o.judge == nil {
		return nil
	}
	r := report.Run{
		Scenario: "serve", Title: "Whoever worked on the car", Seed: seed, Time: plan.Wall,
		Length: b.Loop.Now(), Frames: b.Frames(), Verdicts: o.judge.Finish(false),
	}
	if sc := o.scenario; sc != nil {
		r.Scenario, r.Title, r.About = sc.Name, sc.Title, sc.About
	}
	if err := report.Table(w, &r, report.TableOptions{Bold: isTerminal(w)}); err != nil {
		return err
	}
	if status := r.Status(); status != report.Passed {
		return failedError(status)
	}
	return nil
}
