package run

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"

	"sawhorse/bench/car"
	"sawhorse/bench/fault"
	"sawhorse/bench/format"
	"sawhorse/bench/plan"
	"sawhorse/bench/tool"
	"sawhorse/scenarios"
)

// Choices are what a person may say about a run beside the scenario.
type Choices struct {
	// Seed replaces the scenario's, if SeedSet.
	Seed    uint64
	SeedSet bool
	// Bus is the bus's URL; "" means the embedded one.
	Bus string
	// Wall asks for wall time; a tool that is a process needs it anyway.
	Wall bool
	// Tool is the profile, whole. InBench runs the tool inside the bench.
	Tool    plan.Text
	InBench bool
	// Captures are folders to look for background recordings in.
	Captures []string
	// Capture is the name of the run's capture, within its folder.
	Capture string
	// Program is the version of the program.
	Program string
	// Params replace parameters of the scenario's faults.
	Params []plan.Param
	// Strict has advice fail the run.
	Strict bool
}

// Resolve makes a plan of a scenario: from here on nothing is left to choose.
func Resolve(sc *scenarios.Scenario, c Choices) (*plan.Plan, error) {
	p := &plan.Plan{
		Format: format.Plan.Newest, Program: c.Program,
		Scenario: plan.Text{Name: sc.Name, File: sc.File, Text: string(sc.Source)},
		Seed:     sc.Seed, Time: plan.Virtual, Bus: c.Bus, Rate: sc.Bus.Rate,
		Tool: c.Tool, InBench: c.InBench,
		Duration: plan.Duration(sc.Duration), Capture: c.Capture,
		Params: c.Params, Strict: c.Strict,
	}
	if c.SeedSet {
		p.Seed = c.Seed
	}
	if p.Bus == "" {
		p.Bus = "mem:"
	}
	if p.Capture == "" {
		p.Capture = "capture.pcapng"
	}
	if !c.InBench || c.Wall || p.Bus != "mem:" {
		p.Time = plan.Wall
	}
	var err error
	if p.Background, err = findBackground(sc.Background, sc.File, c.Captures); err != nil {
		return nil, fmt.Errorf("scenario %s: %w", sc.Name, err)
	}
	if p.Networks, err = findNetworks(sc); err != nil {
		return nil, err
	}
	if p.Car, err = carFolder(sc.Car); err != nil {
		return nil, fmt.Errorf("scenario %s: %w", sc.Name, err)
	}
	return p, p.Validate()
}

// carFolder notes the files of a car that is not built in, so that a repeated run has
// the same one.
func carFolder(name string) (*plan.CarFolder, error) {
	spec, err := car.Find(name)
	if err != nil || spec.Folder == "" {
		return nil, err
	}
	c := &plan.CarFolder{Name: spec.Name, Folder: spec.Folder}
	for _, f := range spec.Files() {
		d, err := plan.Digest(filepath.Join(spec.Folder, f))
		if err != nil {
			return nil, err
		}
		d.Path = f
		c.Files = append(c.Files, *d)
	}
	return c, nil
}

// useCar makes the car of a plan known, if it is not built in: the one of its name that
// is known already, as --cars has it, else that of the folder where it lay.
func useCar(p *plan.Plan) error {
	if p.Car == nil {
		return nil
	}
	if spec, err := car.Find(p.Car.Name); err == nil && spec.Folder != "" {
		return p.Car.Check(spec.Folder)
	}
	if _, err := os.Stat(p.Car.Folder); err != nil {
		return fmt.Errorf("the car %s lay in %s: %w, want its folder with --cars", p.Car.Name, p.Car.Folder, err)
	}
	if err := p.Car.Check(p.Car.Folder); err != nil {
		return err
	}
	_, err := car.Use(p.Car.Folder)
	return err
}

// Scenario reads the scenario of a plan, with the plan's parameters. Runs may
// share it.
func Scenario(p *plan.Plan) (*scenarios.Scenario, error) {
	if err := useCar(p); err != nil {
		return nil, err
	}
	sc, err := LoadText(p.Scenario)
	if err != nil {
		return nil, err
	}
	for _, q := range p.Params {
		if err := setParam(sc, q); err != nil {
			return nil, err
		}
	}
	return sc, nil
}

// setParam replaces one parameter of the scenario's faults of that name.
func setParam(sc *scenarios.Scenario, q plan.Param) error {
	found := false
	for i := range sc.Faults {
		f := &sc.Faults[i]
		if f.Fault != q.Fault {
			continue
		}
		found = true
		params := maps.Clone(f.Params)
		if params == nil {
			params = map[string]any{}
		}
		params[q.Param] = q.Value
		if _, err := fault.New(f.Fault, params); err != nil {
			return fmt.Errorf("parameter %s: %w", q, err)
		}
		f.Params = params
	}
	if !found {
		return fmt.Errorf("parameter %s: scenario %s has no fault %s", q, sc.Name, q.Fault)
	}
	return nil
}

// Profile reads the tool profile of a plan. Runs may share it.
func Profile(p *plan.Plan) (*tool.Profile, error) {
	t := &p.Tool
	name := t.File
	if name == "" {
		name = t.Name
	}
	profile, err := tool.Parse(name, strings.NewReader(t.Text))
	if err == nil && t.File != "" {
		profile.Folder = filepath.Dir(t.File)
	}
	return profile, err
}

// findNetworks notes the .dbc files of a scenario's faults, so that a repeated run
// reads the same ones.
func findNetworks(sc *scenarios.Scenario) ([]plan.File, error) {
	var list []plan.File
	seen := map[string]bool{}
	for _, f := range sc.Faults {
		name, _ := f.Params["dbc"].(string)
		if name == "" {
			continue
		}
		path := name
		if !filepath.IsAbs(path) {
			path = filepath.Join(filepath.Dir(sc.File), name)
		}
		if seen[path] {
			continue
		}
		seen[path] = true
		d, err := plan.Digest(path)
		if err != nil {
			return nil, fmt.Errorf("scenario %s: fault %s: %w", sc.Name, f.Fault, err)
		}
		list = append(list, *d)
	}
	return list, nil
}
