package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"sawhorse/bench"
	"sawhorse/scenarios"
)

// findScenarios loads what the arguments name: files, folders of *.yaml files,
// names of built-in scenarios; all built-in ones without arguments. All mistakes
// are reported at once.
func findScenarios(args []string) ([]*scenarios.Scenario, error) {
	if len(args) == 0 {
		args = scenarios.Names()
	}
	v := bench.Vocabulary()
	var list []*scenarios.Scenario
	var errs []error
	add := func(s *scenarios.Scenario, err error) {
		switch {
		case err != nil:
			errs = append(errs, err)
		case slices.ContainsFunc(list, func(o *scenarios.Scenario) bool { return o.Name == s.Name }):
			errs = append(errs, fmt.Errorf("%s: a scenario %q is there already; the runs need names of their own", s.File, s.Name))
		default:
			list = append(list, s)
		}
	}
	for _, arg := range args {
		info, err := os.Stat(arg)
		switch {
		case err == nil && info.IsDir():
			files, err := filepath.Glob(filepath.Join(arg, "*.yaml"))
			if err == nil && len(files) == 0 {
				err = fmt.Errorf("folder %s has no scenario files (*.yaml)", arg)
			}
			if err != nil {
				errs = append(errs, err)
			}
			for _, f := range files {
				add(scenarios.Load(f, v))
			}
		case err == nil:
			add(scenarios.Load(arg, v))
		case slices.Contains(scenarios.Names(), arg):
			s, err := scenarios.BuiltIn(arg, v)
			if err == nil {
				s.File = "" // it stands in the program, not on disk
			}
			add(s, err)
		case errors.Is(err, fs.ErrNotExist):
			errs = append(errs, fmt.Errorf("scenario %q: no such file or folder, and not one of the built-in %s", arg, strings.Join(scenarios.Names(), ", ")))
		default:
			errs = append(errs, err)
		}
	}
	return list, errors.Join(errs...)
}
