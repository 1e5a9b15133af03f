package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"sawhorse/bench"
	"sawhorse/bench/fault"
	"sawhorse/bench/judge/cel"
	"sawhorse/scenarios"
)

// faultFlags are those of commands by which faults come: --fault from the start, and
// --faults at the moments that a file gives.
type faultFlags struct {
	list  []string
	file  string
	timed []scenarios.Fault
}

func (o *faultFlags) register(f *pflag.FlagSet) {
	f.StringArrayVar(&o.list, "fault", nil, "fault that is on from the start: NAME, or NAME:PARAM=VALUE,PARAM=VALUE; may be given again")
	f.StringVar(&o.file, "faults", "", "file (YAML) with faults that come and go at times or by chance, in the form of a scenario's faults")
}

// given reports whether any were asked for.
func (o *faultFlags) given() bool { return len(o.list) > 0 || o.file != "" }

// folder is where the .dbc files are that the file names.
func (o *faultFlags) folder() string { return filepath.Dir(o.file) }

// check finds mistakes before a bus is touched. The language is that of the car's
// conditions; nil is a bus without a car, whose faults come at times.
func (o *faultFlags) check(kinds []scenarios.FaultKind, lang *cel.Language) (err error) {
	o.list = apart(o.list)
	for _, text := range o.list {
		if _, _, err := fault.Parse(text); err != nil {
			return fmt.Errorf("--fault: %w", err)
		}
	}
	if o.file != "" {
		o.timed, err = scenarios.LoadFaults(o.file, kinds, lang)
	}
	return err
}

// apart takes lists of names apart: a value without parameters may name several faults.
func apart(list []string) []string {
	var all []string
	for _, text := range list {
		if strings.Contains(text, ":") {
			all = append(all, text)
			continue
		}
		all = append(all, strings.Split(text, ",")...)
	}
	return all
}

// apply sets the faults that were asked for.
func (o *faultFlags) apply(b *bench.Bench) error {
	if _, err := b.Script(nil, o.timed); err != nil {
		return fmt.Errorf("%s: %w", o.file, err)
	}
	for _, text := range o.list {
		id, params, err := fault.Parse(text)
		if err != nil {
			return err
		}
		if err := b.Hand().SetFault(id, true, params); err != nil {
			return fmt.Errorf("--fault %q: %w", text, err)
		}
	}
	return nil
}
