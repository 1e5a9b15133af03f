package main

import (
	"fmt"
	"maps"
	"os"
	"slices"

	"sawhorse/bench/batch"
	"sawhorse/bench/car/strict"
	"sawhorse/bench/plan"
	"sawhorse/scenarios"
)

// paramFile is a file of parameters for many runs.
type paramFile struct {
	// Each has every combination of values run: fault, parameter, values.
	Each map[string]map[string][]written `yaml:"each"`
	// Sets have each set run as it is: fault, parameter, value.
	Sets []map[string]map[string]written `yaml:"sets"`
}

// written is a value as the file has it: to YAML the identifier 7.0E2 is 700, and 0x110 is 272.
type written string

// UnmarshalText implements encoding.TextUnmarshaler.
func (w *written) UnmarshalText(text []byte) error {
	*w = written(text)
	return nil
}

// readParams reads the file of --params: axes, which go with those of --param, and sets.
// Errors name file, line and column.
func readParams(name string, list []*scenarios.Scenario) (axes, sets [][]plan.Param, err error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, nil, fmt.Errorf("--params: %w", err)
	}
	var f paramFile
	doc, err := strict.Read(name, data, &f)
	if err != nil {
		return nil, nil, err
	}
	if len(f.Each) == 0 && len(f.Sets) == 0 {
		return nil, nil, doc.Errorf("$", "no parameters, want each or sets")
	}
	param := func(path, id, name string, value written) (plan.Param, error) {
		p, err := paramOf(id, name, string(value))
		if err != nil {
			return p, doc.Errorf(path, "%v", err)
		}
		return p, nil
	}
	for _, id := range slices.Sorted(maps.Keys(f.Each)) {
		path := "$.each." + id
		if !slices.ContainsFunc(list, func(s *scenarios.Scenario) bool { return hasFault(s, id) }) {
			return nil, nil, doc.Errorf(path, "none of the scenarios has a fault %s", id)
		}
		for _, name := range slices.Sorted(maps.Keys(f.Each[id])) {
			path := path + "." + name
			var axis []plan.Param
			for i, v := range f.Each[id][name] {
				p, err := param(fmt.Sprintf("%s[%d]", path, i), id, name, v)
				if err != nil {
					return nil, nil, err
				}
				axis = append(axis, p)
			}
			if len(axis) == 0 {
				return nil, nil, doc.Errorf(path, "no values, want a list of some")
			}
			axes = append(axes, axis)
		}
	}
	for i, faults := range f.Sets {
		path := fmt.Sprintf("$.sets[%d]", i)
		var set []plan.Param
		for _, id := range slices.Sorted(maps.Keys(faults)) {
			for _, name := range slices.Sorted(maps.Keys(faults[id])) {
				p, err := param(path+"."+id+"."+name, id, name, faults[id][name])
				if err != nil {
					return nil, nil, err
				}
				set = append(set, p)
			}
		}
		if len(set) == 0 {
			return nil, nil, doc.Errorf(path, "an empty set, want a fault with its parameters")
		}
		if !slices.ContainsFunc(list, func(s *scenarios.Scenario) bool { return fits(s, set) }) {
			return nil, nil, doc.Errorf(path, "none of the scenarios has all of the faults of this set")
		}
		sets = append(sets, set)
	}
	return axes, sets, nil
}

// fits reports whether a scenario has all the faults of a set.
func fits(s *scenarios.Scenario, set []plan.Param) bool {
	return !slices.ContainsFunc(set, func(p plan.Param) bool { return !hasFault(s, p.Fault) })
}

// choicesOf are the parameters of a scenario's runs: every set that fits with every
// combination of the axes. A scenario that no set fits runs without one.
func choicesOf(s *scenarios.Scenario, axes, sets [][]plan.Param) ([][]plan.Param, error) {
	heads := slices.DeleteFunc(slices.Clone(sets), func(set []plan.Param) bool { return !fits(s, set) })
	if len(heads) == 0 {
		heads = [][]plan.Param{nil}
	}
	var all [][]plan.Param
	for _, head := range heads {
		for _, tail := range batch.Combine(axesOf(s, axes)) {
			params := slices.Concat(head, tail)
			for i, p := range params {
				if slices.ContainsFunc(params[:i], func(q plan.Param) bool { return q.Fault == p.Fault && q.Param == p.Param }) {
					return nil, fmt.Errorf("parameter %s.%s is given twice for one run: by a set and by each or --param, or by two of these", p.Fault, p.Param)
				}
			}
			all = append(all, params)
		}
	}
	return all, nil
}
