package scenarios

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/format"
	"sawhorse/bench/judge/cel"
	"sawhorse/bench/task"
)

//go:embed *.yaml
var builtIn embed.FS

//go:embed schema.json
var schema []byte

// Schema is the format as a JSON Schema (draft 2020-12). It sees everything that
// does not depend on a vocabulary, but no mistakes in conditions.
func Schema() []byte {
	var out bytes.Buffer
	if err := json.Indent(&out, task.FillSchema(fillKinds(schema)), "", "  "); err != nil {
		panic(err) // a schema of ours that is no JSON
	}
	return out.Bytes()
}

// Names lists the built-in scenarios in order.
func Names() []string {
	entries, err := builtIn.ReadDir(".")
	if err != nil {
		panic(err) // embedded: cannot fail
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	return names
}

// Source is the text of a built-in scenario.
func Source(name string) ([]byte, bool) {
	b, err := builtIn.ReadFile(name + ".yaml")
	return b, err == nil
}

// BuiltIn loads a built-in scenario.
func BuiltIn(name string, v *Vocabulary) (*Scenario, error) {
	src, ok := Source(name)
	if !ok {
		return nil, fmt.Errorf("scenario %q is not built in, expected %s", name, oneOf(Names()))
	}
	return Parse(name+".yaml", src, v)
}

// Load reads a scenario file. The error is the operating system's or Errors.
func Load(path string, v *Vocabulary) (*Scenario, error) {
	data, err := read(path)
	if err != nil {
		return nil, err
	}
	return Parse(path, data, v)
}

func read(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() > maxFile {
		return nil, Errors{{path, 1, 1, fmt.Sprintf("the file has %d bytes", info.Size()), fmt.Sprintf("at most %d", maxFile)}}
	}
	return os.ReadFile(path)
}

// Parse reads a scenario from its text; file is for its name and for messages. The
// error is of type Errors.
func Parse(file string, data []byte, v *Vocabulary) (*Scenario, error) {
	r := &reader{file: file}
	s := &Scenario{File: file, Source: data, Seed: 1, Bus: Bus{Rate: 500_000}}
	if root := r.parse(data); root != nil && r.readable(root, format.Scenario) {
		r.scenario(root, s, v)
	}
	if err := r.mistakes(); err != nil {
		return nil, err
	}
	return s, nil
}

// LoadFaults reads a file that has a scenario's faults and nothing else. kinds are the
// faults that there may be, lang is the language of the car's conditions: without a
// car, nil, moments are times. The error is the operating system's or Errors.
func LoadFaults(path string, kinds []FaultKind, lang *cel.Language) ([]Fault, error) {
	data, err := read(path)
	if err != nil {
		return nil, err
	}
	r := &reader{file: path, lang: lang, carless: lang == nil}
	var list []Fault
	if root := r.parse(data); root != nil && r.readable(root, format.Faults) {
		r.mapping(root, "a file of faults", formatField, field{"faults", true, func(n ast.Node) { r.faults(n, &list, kinds) }})
	}
	if err := r.mistakes(); err != nil {
		return nil, err
	}
	return list, nil
}

// readable reports a file of a version that this program knows, and tells of another.
func (r *reader) readable(root ast.Node, k format.Kind) bool {
	p := k.CheckYAML(root)
	if p != nil {
		r.add(p.Line, p.Column, p.What, p.Want)
	}
	return p == nil
}

// formatField is the key of the version, which readable has looked at.
var formatField = field{format.Scenario.Key, false, func(ast.Node) {}}

// mistakes are what was found wrong, in the order of the file; nil if nothing was.
func (r *reader) mistakes() error {
	if len(r.errs) == 0 {
		return nil
	}
	slices.SortStableFunc(r.errs, func(a, b *Error) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	return r.errs
}

var (
	nameForm = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	codeForm = regexp.MustCompile(`^[PCBU][0-3][0-9A-F]{3}(-[0-9A-F]{2})?$`) // ISO 15031-6
)

// name reads a word of small letters, digits and hyphens.
func (r *reader) name(n ast.Node, what string) string {
	s, ok := r.text(n, what)
	if ok && !nameForm.MatchString(s) {
		r.fail(n, fmt.Sprintf("%q", s), what+" of small letters, digits and hyphens")
		return ""
	}
	return s
}

func (r *reader) scenario(root ast.Node, s *Scenario, v *Vocabulary) {
	if _, ok := r.entries(root, "a mapping of a scenario"); !ok {
		return
	}
	r.findCar(root, v)
	r.mapping(root, "a scenario",
		formatField,
		field{"scenario", true, func(n ast.Node) { r.scenarioName(n, s) }},
		field{"title", true, r.textInto(&s.Title, "a text of one line")},
		field{"about", true, r.textInto(&s.About, "a text of some sentences")},
		field{"complaint", false, r.textInto(&s.Complaint, "what the customer says")},
		field{"cautions", false, func(n ast.Node) {
			r.list(n, "sentences", func(n ast.Node) {
				if t, ok := r.text(n, "a sentence"); ok {
					s.Cautions = append(s.Cautions, t)
				}
			})
		}},
		field{"car", true, func(n ast.Node) { s.Car, _ = r.word(n, v.Cars) }},
		field{"duration", true, r.durationInto(&s.Duration, 1)},
		field{"seed", false, func(n ast.Node) { s.Seed, _ = r.whole(n, 0, 1<<63) }},
		field{"bus", false, func(n ast.Node) { r.bus(n, &s.Bus) }},
		field{"faults", false, func(n ast.Node) { r.faults(n, &s.Faults, v.Faults()) }},
		field{"driver", false, func(n ast.Node) { r.driver(n, s) }},
		field{"background", false, func(n ast.Node) { r.background(n, s) }},
		field{"tasks", false, func(n ast.Node) { r.tasks(n, s) }},
		field{"expect", true, func(n ast.Node) { r.expectations(n, s) }},
		field{"rules", false, func(n ast.Node) { r.rules(n, &s.Rules) }},
	)
	r.words(s)
}

func (r *reader) scenarioName(n ast.Node, s *Scenario) {
	s.Name = r.name(n, "a name")
	base := strings.TrimSuffix(filepath.Base(r.file), filepath.Ext(r.file))
	if s.Name != "" && s.Name != base {
		r.fail(n, fmt.Sprintf("%q", s.Name), fmt.Sprintf("the file's name %q", base))
	}
}

// findCar sets the language before the conditions are read, wherever in the file
// the car stands.
func (r *reader) findCar(root ast.Node, v *Vocabulary) {
	m, ok := root.(*ast.MappingNode)
	if !ok {
		return
	}
	for _, e := range m.Values {
		k, ok := e.Key.(*ast.StringNode)
		if !ok || k.Value != "car" {
			continue
		}
		car, ok := rawText(e.Value)
		if !ok || !slices.Contains(v.Cars, car) {
			return
		}
		lang, err := v.Language(car)
		if err != nil {
			r.fail(e.Value, fmt.Sprintf("car %q: %v", car, err), "a car whose signals can be named")
			return
		}
		r.lang = lang
		if v.Controls != nil {
			r.controls = v.Controls(car)
		}
		if v.Signals != nil {
			r.signals = v.Signals(car)
		}
		if v.Drives != nil {
			r.drives = v.Drives(car)
		}
	}
}

// words looks for tasks and faults in conditions that this scenario never has.
func (r *reader) words(s *Scenario) {
	var tasks, faults []string
	for _, t := range s.Tasks {
		tasks = append(tasks, t.Task)
	}
	for _, f := range s.Faults {
		faults = append(faults, f.Fault)
	}
	check := func(p placed, name string, known []string) {
		for _, w := range p.c.Words(name) {
			if w != "" && !slices.Contains(known, w) {
				r.fail(p.n, fmt.Sprintf("condition: %s is never %q in this scenario", name, w), oneOf(known))
			}
		}
	}
	if len(r.errs) > 0 && len(tasks) == 0 {
		return // what they are called may be what is wrong, and is told
	}
	for _, p := range r.conds {
		check(p, "task", tasks)
		check(p, "event.task", tasks)
		check(p, "event.fault", faults)
	}
	for _, p := range r.faultNames {
		if !slices.Contains(faults, p.name) {
			r.fail(p.n, fmt.Sprintf("%q is not among the faults of this scenario", p.name), oneOf(faults))
		}
	}
	for _, e := range s.Expect {
		for _, t := range e.Tasks() {
			if !slices.Contains(tasks, t) && t != "" {
				r.add(e.Line, e.Column, fmt.Sprintf("task %q is not among the tasks of this scenario", t), oneOf(tasks))
			}
		}
	}
}
