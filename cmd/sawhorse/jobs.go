package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"strconv"

	"sawhorse/bench/batch"
	"sawhorse/bench/fault"
	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/bench/tool"
	"sawhorse/scenarios"
)

// job is one run to do.
type job struct {
	plan *plan.Plan
	// scenario is the plan's, read once for all runs with the same parameters.
	scenario *scenarios.Scenario
	// profile is the plan's, read once for all runs.
	profile *tool.Profile
	// name tells the runs of a batch apart; "" is the scenario's name.
	name   string
	folder string
}

// plan makes the runs: every scenario with every choice of parameters and every
// seed, in this order, of which the shard has its part.
func (o *runOptions) plan(list []*scenarios.Scenario, choices run.Choices) ([]job, error) {
	seeds, axes, err := o.dimensions(list)
	if err != nil {
		return nil, err
	}
	var sets [][]plan.Param
	if o.paramFile != "" {
		more, fromFile, err := readParams(o.paramFile, list)
		if err != nil {
			return nil, err
		}
		axes, sets = append(axes, more...), fromFile
	}
	shard, err := batch.ParseShard(o.shard)
	if err != nil {
		return nil, fmt.Errorf("--shard: %w", err)
	}
	var jobs []job
	var profile *tool.Profile
	total := 0
	for _, s := range list {
		choicesHere, err := choicesOf(s, axes, sets)
		if err != nil {
			return nil, err
		}
		for _, params := range choicesHere {
			c := choices
			c.Params = params
			if o.capture != "" {
				c.Capture = filepath.Base(o.capture)
			}
			first, err := run.Resolve(s, c)
			if err != nil {
				return nil, err
			}
			if profile == nil {
				if profile, err = run.Profile(first); err != nil {
					return nil, err
				}
			}
			sc := s
			if len(params) > 0 {
				if sc, err = run.Scenario(first); err != nil {
					return nil, err
				}
			}
			for _, seed := range seedsOr(seeds, first.Seed) {
				if total++; total > batch.MaxRuns {
					return nil, fmt.Errorf("more than %d runs: want fewer seeds or parameters", batch.MaxRuns)
				}
				if !shard.Has(total - 1) {
					continue
				}
				p := *first
				p.Seed = seed
				j := job{plan: &p, scenario: sc, profile: profile, name: runName(s.Name, seed, len(seeds) > 0, params)}
				j.folder = filepath.Join(o.out, j.name)
				if o.capture != "" {
					j.folder = filepath.Dir(o.capture)
				}
				jobs = append(jobs, j)
			}
		}
	}
	if o.capture != "" && len(jobs) > 1 {
		return nil, fmt.Errorf("--capture names one file, and there are %d runs: want one, or --out", len(jobs))
	}
	return jobs, uniqueNames(jobs)
}

func seedsOr(seeds []uint64, own uint64) []uint64 {
	if len(seeds) == 0 {
		return []uint64{own}
	}
	return seeds
}

// runName is the scenario, -sSEED, and -FAULT.PARAM=VALUE for each parameter.
func runName(scenario string, seed uint64, seeded bool, params []plan.Param) string {
	name := scenario
	if seeded {
		name += "-s" + strconv.FormatUint(seed, 10)
	}
	for _, p := range params {
		name += "-" + batch.FileName(p.String())
	}
	return name
}

// uniqueNames reports two runs that would have one folder, as values that differ
// only in characters which no file name can have would.
func uniqueNames(jobs []job) error {
	seen := map[string]bool{}
	for _, j := range jobs {
		if seen[j.name] {
			return fmt.Errorf("two runs would be named %s: want values that differ in letters or digits", j.name)
		}
		seen[j.name] = true
	}
	return nil
}

// dimensions are the seeds and parameters that the flags ask for.
func (o *runOptions) dimensions(list []*scenarios.Scenario) (seeds []uint64, axes [][]plan.Param, err error) {
	if o.seeds != "" {
		if o.seed != 0 {
			return nil, nil, fmt.Errorf("--seed %d and --seeds %s: want one of them", o.seed, o.seeds)
		}
		if seeds, err = batch.Seeds(o.seeds); err != nil {
			return nil, nil, fmt.Errorf("--seeds: %w", err)
		}
	}
	for _, text := range o.params {
		a, err := batch.ParseAxis(text)
		if err != nil {
			return nil, nil, fmt.Errorf("--param: %w", err)
		}
		if !slices.ContainsFunc(list, func(s *scenarios.Scenario) bool { return hasFault(s, a.Fault) }) {
			return nil, nil, fmt.Errorf("--param %q: none of the scenarios has a fault %s", text, a.Fault)
		}
		var values []plan.Param
		for _, v := range a.Values {
			p, err := paramOf(a.Fault, a.Param, v)
			if err != nil {
				return nil, nil, fmt.Errorf("--param %q: %w", text, err)
			}
			values = append(values, p)
		}
		axes = append(axes, values)
	}
	return seeds, axes, nil
}

func hasFault(s *scenarios.Scenario, id string) bool {
	return slices.ContainsFunc(s.Faults, func(f scenarios.Fault) bool { return f.Fault == id })
}

// axesOf are the parameters that a scenario has.
func axesOf(s *scenarios.Scenario, axes [][]plan.Param) [][]plan.Param {
	return slices.DeleteFunc(slices.Clone(axes), func(a []plan.Param) bool { return !hasFault(s, a[0].Fault) })
}

// paramOf reads a value as the catalogue declares the parameter.
func paramOf(id, name, text string) (p plan.Param, err error) {
	p = plan.Param{Fault: id, Param: name}
	e, err := fault.Find(id)
	if err != nil {
		return p, err
	}
	if p.Value, err = e.Value(name, text); err != nil {
		return p, fmt.Errorf("fault %s: %w", id, err)
	}
	return p, nil
}
