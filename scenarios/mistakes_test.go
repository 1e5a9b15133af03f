package scenarios_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/judge"
	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/bench/tool"
	"sawhorse/bench/tool/builtin"
	"sawhorse/cmd/demotool/tester"
	"sawhorse/scenarios"
)

var (
	update = flag.Bool("update", false, "write the matrix of defects anew")
	seeds  = flag.Int("seeds", 4, "with how many seeds the correct tool does every scenario")
	longs  = flag.Int("long-seeds", 1, "the same of scenarios that last minutes")
)

const (
	matrixFile = "MISTAKES.md"
	matrixSeed = 3
)

// trial is one run: the demo's tool, with a defect or none and in one of its styles, in
// a scenario.
type trial struct {
	scenario *scenarios.Scenario
	defect   string
	seed     uint64
	style    string
}

// outcome is what became of a trial.
type outcome struct {
	verdicts []judge.Verdict
	err      error
}

// longRun is the duration from which a scenario counts as long: with a security wait of
// ten minutes or a drive in it, a run takes seconds.
const longRun = 5 * time.Minute

// builtIns are the scenarios that come with the bench, the short ones or the long.
func builtIns(t *testing.T, long bool) []*scenarios.Scenario {
	t.Helper()
	var list []*scenarios.Scenario
	for _, name := range scenarios.Names() {
		sc, err := scenarios.BuiltIn(name, bench.Vocabulary())
		require.NoError(t, err)
		if long == (sc.Duration >= longRun) {
			list = append(list, sc)
		}
	}
	return list
}

// try does one run in virtual time. No folder with recordings is named: what comes of
// it must not depend on what else is on this machine.
func (c trial) try(profile []byte) (o outcome) {
	folder, err := os.MkdirTemp("", "sawhorse-kill-")
	if err != nil {
		return outcome{err: err}
	}
	defer os.RemoveAll(folder)
	p, err := run.Resolve(c.scenario, run.Choices{
		Seed: c.seed, SeedSet: true, Program: "test", InBench: true,
		Tool: plan.Text{Name: builtin.Default, Text: string(profile)},
	})
	if err != nil {
		return outcome{err: err}
	}
	start := func(task string, args map[string]string) (tool.Machine, error) {
		return tester.StartAs(tester.Config{Defect: c.defect, Style: c.style}, task, args)
	}
	r, err := run.New(p, run.Options{Folder: folder, InBench: start, Scenario: c.scenario})
	if err != nil {
		return outcome{err: err}
	}
	res, err := r.Execute(context.Background())
	if err != nil {
		return outcome{err: err}
	}
	return outcome{res.Verdicts, res.Err}
}

// tryAll does the runs, as many at once as there are cores, and gives what became of
// them in their order.
func tryAll(t *testing.T, trials []trial) []outcome {
	t.Helper()
	profile, err := builtin.Source(builtin.Default)
	require.NoError(t, err)
	got := make([]outcome, len(trials))
	next := make(chan int)
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for i := range next {
				got[i] = trials[i].try(profile)
			}
		})
	}
	for i := range trials {
		next <- i
	}
	close(next)
	workers.Wait()
	for i, o := range got {
		c := trials[i]
		require.NoError(t, o.err, "%s with defect %q, seed %d", c.scenario.Name, c.defect, c.seed)
		for _, v := range o.verdicts {
			require.NotEqual(t, judge.Ours, v.Outcome, "%s with defect %q: %s: %s", c.scenario.Name, c.defect, v.ID, v.Reason)
		}
	}
	return got
}

// Nothing is held against a correct tool, whatever the chance and its habits.
func TestNoFalseAlarm(t *testing.T) {
	var trials []trial
	add := func(list []*scenarios.Scenario, n int, style string) {
		for _, sc := range list {
			for seed := range n {
				trials = append(trials, trial{scenario: sc, seed: uint64(seed + 1), style: style})
			}
		}
	}
	for _, style := range tester.Styles {
		add(builtIns(t, true), *longs, style) // first, so that no core waits for the last of them
	}
	for _, style := range tester.Styles {
		add(builtIns(t, false), *seeds, style)
	}
	for i, o := range tryAll(t, trials) {
		c := trials[i]
		assert.NotEmpty(t, o.verdicts)
		for _, v := range o.verdicts {
			assert.True(t, v.Outcome.Met(), "%s, %s, seed %d: %s is %v: %s %v", c.scenario.Name, c.style, c.seed, v.ID, v.Outcome, v.Reason, v.Evidence)
		}
	}
}

// caught is how a run tells that something is wrong with the tool. Undecided is no
// catch.
type caught struct{ verdict, cause string }

func catches(o outcome) []caught {
	var list []caught
	for _, v := range o.verdicts {
		if v.Outcome == judge.Fail {
			list = append(list, caught{v.ID, v.Cause.String()})
		}
	}
	return list
}

// Every defect of the demo's tool is caught, in the scenarios and by the verdicts that
// the matrix in the docs names. With -update the matrix is written anew.
func TestEveryDefectIsCaught(t *testing.T) {
	all, defects := builtIns(t, false), tester.Defects()
	require.GreaterOrEqual(t, len(defects), 40)
	var trials []trial
	for _, d := range defects {
		for _, sc := range all {
			trials = append(trials, trial{scenario: sc, defect: d.ID, seed: matrixSeed})
		}
	}
	m := matrix{scenarios: all, rows: make([][][]caught, len(defects))}
	for i, o := range tryAll(t, trials) {
		row := i / len(all)
		m.rows[row] = append(m.rows[row], catches(o))
	}
	for i, d := range defects {
		assert.True(t, slices.ContainsFunc(m.rows[i], func(c []caught) bool { return len(c) > 0 }), "%s is caught nowhere: %s", d.ID, d.Says)
	}
	want := m.table(defects)
	t.Log("\n" + want)
	if *update {
		require.NoError(t, os.WriteFile(matrixFile, []byte(want), 0o644))
	}
	got, err := os.ReadFile(matrixFile)
	require.NoError(t, err)
	assert.Equal(t, want, string(got), "the table is old: go test ./scenarios -run EveryDefect -update")
}

// matrix holds what every run said: a row a defect, a column a scenario.
type matrix struct {
	scenarios []*scenarios.Scenario
	rows      [][][]caught
}

func (m matrix) table(defects []tester.Defect) string {
	var b strings.Builder
	fmt.Fprintf(&b, `# What catches which mistake

Each of the %d mistakes below can be given to the demo's tool (`+"`demotool --defect ID`"+`). This is
what the built-in scenarios make of it, with seed %d in virtual time: in how many of the %d
scenarios (those that last minutes are left out) something is held against the tool, and by which expectations and rules. Hung and
crashed are told beside a verdict, all others are broken expectations; undecided is no catch.
`+"`go test ./scenarios -run EveryDefect -update`"+` writes this table; `+"`make kill`"+` fails when a mistake is
caught nowhere, when the table is old, or when anything is held against the tool without one.
`, len(defects), matrixSeed, len(m.scenarios))
	group := ""
	for i, d := range defects {
		if d.Group != group {
			group = d.Group
			fmt.Fprintf(&b, "\n## %s\n\n| defect | the tool | caught in | by expectations | by rules |\n|---|---|---|---|---|\n", group)
		}
		var expectations, rules []string
		hits := 0
		for j, list := range m.rows[i] {
			if len(list) > 0 {
				hits++
			}
			var ids []string
			for _, c := range list {
				id := c.verdict
				if c.cause != "" && c.cause != judge.Broken.String() {
					id += " (" + c.cause + ")"
				}
				switch rule, ok := strings.CutPrefix(id, "rule/"); {
				case !ok:
					ids = append(ids, id)
				case !slices.Contains(rules, rule):
					rules = append(rules, rule)
				}
			}
			if len(ids) > 0 {
				expectations = append(expectations, "`"+m.scenarios[j].Name+"`: "+strings.Join(ids, ", "))
			}
		}
		slices.Sort(rules)
		fmt.Fprintf(&b, "| `%s` | %s | %d | %s | %s |\n", d.ID, d.Says, hits, orNone(expectations, "; "), orNone(rules, ", "))
	}
	return b.String()
}

func orNone(list []string, sep string) string {
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, sep)
}
