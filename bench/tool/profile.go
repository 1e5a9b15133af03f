package tool

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/format"
	"sawhorse/bench/task"
)

// Kind says what the tool is.
type Kind string

// The kinds of tool.
const (
	// KindProcess is a program that the bench starts.
	KindProcess Kind = "process"
	// KindExternal is hardware or software that is on the bus already. It has no
	// commands: whoever holds it is told what to do and has until the limit.
	KindExternal Kind = "external"
)

// Outcome is what an exit status means.
type Outcome string

// The outcomes.
const (
	OutcomeOK           Outcome = "ok"            // the task is done
	OutcomeRefused      Outcome = "refused"       // the car or a condition refused it
	OutcomeFailed       Outcome = "failed"        // the tool could not do it
	OutcomeNotConnected Outcome = "not-connected" // no car, or contact with it was lost
	OutcomeUsage        Outcome = "usage"         // the tool did not understand its command line
)

var outcomes = []string{"ok", "refused", "failed", "not-connected", "usage"}

// Defaults of an entry.
const (
	DefaultLimit = 60 * time.Second
	DefaultGrace = 2 * time.Second
)

// Profile says how one tool does the tasks. It is read-only after loading.
type Profile struct {
	// Name and Title are for people; Folder is where the file lies, from which
	// commands with a relative path start.
	Name, Title string
	Folder      string
	Kind        Kind
	// Entries are in the order of the file.
	Entries []*Entry
	source  source
}

// Entry is how the tool does one task.
type Entry struct {
	Task string
	// For narrows the entry to arguments of a task, as learn with position clutch, and
	// to a car.
	For map[string]string
	// Limit bounds the task; Grace is what the process has between TERM and KILL.
	Limit, Grace time.Duration

	// commands are done one after the other.
	commands     [][]template
	words        map[string]map[string]string
	environment  []variable
	instructions template
	output       output
	exit         exitMap
	at           place
}

type variable struct {
	name  string
	value template
}

// exitMap is the meaning of exit statuses.
type exitMap struct {
	by    map[int]Outcome
	other Outcome
}

// Load reads a profile from a file.
func Load(path string) (*Profile, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("tool profile: %w", err)
	}
	defer f.Close()
	p, err := Parse(path, f)
	if err != nil {
		return nil, err
	}
	p.Folder = filepath.Dir(path)
	return p, nil
}

// Parse reads a profile strictly; name stands for the file in errors, which
// are *ProfileError but for those of r.
func Parse(name string, r io.Reader) (*Profile, error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxProfileSize+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	p := &Profile{Kind: KindProcess, source: source{file: name}}
	root, err := p.source.parse(data)
	if err != nil {
		return nil, err
	}
	if err := p.read(root); err != nil {
		return nil, err
	}
	return p, nil
}

var namePattern = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

func (p *Profile) read(root ast.Node) error {
	s := &p.source
	defaults := &Entry{Limit: DefaultLimit, Grace: DefaultGrace, exit: exitMap{by: map[int]Outcome{0: OutcomeOK}, other: OutcomeFailed}}
	var tasks, given ast.Node
	if bad := format.Profile.CheckYAML(root); bad != nil {
		return s.errorAt(place{bad.Line, bad.Column}, "%v", bad)
	}
	err := s.mapping(root, "profile", map[string]field{
		format.Profile.Key: func(_, _ ast.Node) error { return nil },
		"profile": func(_, v ast.Node) (err error) {
			if p.Name, err = s.scalar(v, "profile"); err == nil && !namePattern.MatchString(p.Name) {
				err = s.errorf(v, "profile is %q, expected lower-case words joined by -", p.Name)
			}
			return err
		},
		"title": func(_, v ast.Node) (err error) { p.Title, err = s.text(v, "title"); return err },
		"kind": func(_, v ast.Node) error {
			k, err := s.oneOf(v, "kind", []string{string(KindProcess), string(KindExternal)})
			p.Kind = Kind(k)
			return err
		},
		"defaults": func(_, v ast.Node) error { given = v; return nil },
		"tasks":    func(_, v ast.Node) error { tasks = v; return nil },
	}, "profile", "tasks")
	if err != nil {
		return err
	}
	if given != nil {
		if err := s.mapping(given, "defaults", p.common(defaults)); err != nil {
			return err
		}
	}
	return s.list(tasks, "tasks", func(_ int, item ast.Node) error { return p.readEntry(item, defaults) })
}

// common are the keys that an entry and the defaults share.
func (p *Profile) common(e *Entry) map[string]field {
	s := &p.source
	m := map[string]field{
		"limit": func(_, v ast.Node) (err error) { e.Limit, err = s.duration(v, "limit"); return err },
	}
	if p.Kind == KindExternal {
		return m
	}
	m["grace"] = func(_, v ast.Node) (err error) { e.Grace, err = s.duration(v, "grace"); return err }
	m["environment"] = func(_, v ast.Node) (err error) { e.environment, err = s.environment(v); return err }
	m["output"] = func(_, v ast.Node) (err error) { e.output, err = s.output(v); return err }
	m["exit"] = func(_, v ast.Node) (err error) { e.exit, err = s.exit(v); return err }
	return m
}

func (p *Profile) readEntry(n ast.Node, defaults *Entry) error {
	s := &p.source
	e := *defaults
	e.at = keyPlace(n)
	fields := p.common(&e)
	fields["task"] = func(_, v ast.Node) (err error) { e.Task, err = s.oneOf(v, "task", task.Names()); return err }
	fields["for"] = func(_, v ast.Node) (err error) { e.For, err = s.arguments(v); return err }
	required := []string{"task"}
	if p.Kind == KindExternal {
		required = append(required, "instructions")
		fields["instructions"] = func(_, v ast.Node) (err error) {
			e.instructions, err = s.template(v, "instructions")
			return err
		}
	} else {
		fields["command"] = func(_, v ast.Node) error { return e.add(s, v) }
		fields["commands"] = func(_, v ast.Node) error {
			return s.list(v, "commands", func(_ int, item ast.Node) error { return e.add(s, item) })
		}
		fields["words"] = func(_, v ast.Node) (err error) { e.words, err = s.argumentWords(v); return err }
	}
	if err := s.mapping(n, "task", fields, required...); err != nil {
		return err
	}
	if p.Kind != KindExternal && len(e.commands) == 0 {
		return s.errorf(n, "task without \"command\", expected it")
	}
	asked, _ := task.Find(e.Task)
	for _, a := range task.Arguments() {
		if asked.Takes(a.Name) {
			continue
		}
		if _, ok := e.For[a.Name]; ok {
			return s.errorf(n, "task %s takes no argument %s, expected \"for\" without it", e.Task, a.Name)
		}
		uses := func(t template) bool { return t.uses(argumentPrefix + a.Name) }
		if slices.ContainsFunc(slices.Concat(e.commands...), uses) || uses(e.instructions) {
			return s.errorf(n, "task %s has no argument %s, expected no {%s%s}", e.Task, a.Name, argumentPrefix, a.Name)
		}
	}
	for _, o := range p.Entries {
		if o.Task == e.Task && covers(o.For, e.For) {
			return s.errorf(n, "task %s is never reached, expected it before the entry of line %d", e.Task, o.at.line)
		}
	}
	p.Entries = append(p.Entries, &e)
	return nil
}

// covers reports whether every call that b matches matches a, too.
func covers(a, b map[string]string) bool {
	for k, v := range a {
		if b[k] != v {
			return false
		}
	}
	return true
}

func (s *source) arguments(n ast.Node) (map[string]string, error) {
	m := map[string]string{}
	err := s.entries(n, "for", func(key string, k, v ast.Node) (err error) {
		a, ok := task.FindArgument(key)
		switch {
		case key == carKey:
			m[key], err = s.text(v, key)
			return err
		case !ok:
			return s.errorf(k, "unknown argument %q, expected one of %s", key, strings.Join(argumentNames(), ", "))
		case a.Words == nil:
			return s.errorf(k, "argument %s has no set of values, expected an entry for all of them", key)
		}
		m[key], err = s.oneOf(v, key, a.Words)
		return err
	})
	return m, err
}

// argumentNames lists the arguments of all tasks in the order of the alphabet.
func argumentNames() []string {
	var names []string
	for _, a := range task.Arguments() {
		names = append(names, a.Name)
	}
	slices.Sort(names)
	return names
}

// add takes one more command of a task.
func (e *Entry) add(s *source, n ast.Node) error {
	c, err := s.command(n)
	e.commands = append(e.commands, c)
	return err
}

// argumentWords reads what the tool calls the words of arguments.
func (s *source) argumentWords(n ast.Node) (map[string]map[string]string, error) {
	m := map[string]map[string]string{}
	err := s.entries(n, "words", func(key string, k, v ast.Node) error {
		a, ok := task.FindArgument(key)
		if !ok || a.Words == nil {
			return s.errorf(k, "unknown argument %q, expected one with words", key)
		}
		m[key] = map[string]string{}
		return s.entries(v, "words of "+key, func(ours string, k, v ast.Node) (err error) {
			if !slices.Contains(a.Words, ours) {
				return s.errorf(k, "%s is %q, expected one of %s", key, ours, strings.Join(a.Words, ", "))
			}
			m[key][ours], err = s.text(v, "word for "+ours)
			return err
		})
	})
	return m, err
}

func (s *source) command(n ast.Node) ([]template, error) {
	var c []template
	err := s.list(n, "command", func(i int, item ast.Node) error {
		t, err := s.template(item, "command")
		c = append(c, t)
		return err
	})
	if err == nil && (len(c) == 0 || len(c[0].parts) == 0) {
		err = s.errorf(n, "command is empty, expected a program and its arguments")
	}
	return c, err
}

var variablePattern = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

func (s *source) environment(n ast.Node) ([]variable, error) {
	var vs []variable
	err := s.entries(n, "environment", func(key string, k, v ast.Node) error {
		if !variablePattern.MatchString(key) {
			return s.errorf(k, "environment variable %q, expected letters, digits and _", key)
		}
		if key == EnvBus {
			return s.errorf(k, "environment variable %s is set by the bench, expected another", key)
		}
		t, err := s.template(v, key)
		vs = append(vs, variable{key, t})
		return err
	})
	return vs, err
}

func (s *source) exit(n ast.Node) (exitMap, error) {
	m := exitMap{by: map[int]Outcome{}, other: OutcomeFailed}
	err := s.entries(n, "exit", func(key string, k, v ast.Node) error {
		o, err := s.oneOf(v, "exit "+key, outcomes)
		if err != nil {
			return err
		}
		if key == "other" {
			m.other = Outcome(o)
			return nil
		}
		code, err := strconv.Atoi(key)
		if err != nil || code < 0 || code > 255 || strconv.Itoa(code) != key {
			return s.errorf(k, "exit status %q, expected 0..255 or other", key)
		}
		m.by[code] = Outcome(o)
		return nil
	})
	return m, err
}

// EntryFor is Entry for a task with the values that its placeholders get: the car counts
// as well.
func (p *Profile) EntryFor(task string, v *Values) (*Entry, bool) { return p.Entry(task, v.key()) }

// Entry finds how the tool does a task; false where the profile does not say:
// the task is not applicable to this tool. The first entry that matches counts.
func (p *Profile) Entry(task string, args map[string]string) (*Entry, bool) {
	for _, e := range p.Entries {
		if e.Task == task && covers(e.For, args) {
			return e, true
		}
	}
	return nil, false
}

// Instructions is what whoever holds an external tool is told.
func (e *Entry) Instructions(v Values) (string, error) { return e.instructions.expand(v, e.words) }

// Outcome is the meaning of an exit status.
func (e *Entry) Outcome(status int) Outcome {
	if o, ok := e.exit.by[status]; ok {
		return o
	}
	return e.exit.other
}
