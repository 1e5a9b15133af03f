package fault

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"sawhorse/bench/nearest"
)

// Find finds an entry by its name. The error is ErrUnknown with what may have been meant.
func Find(id string) (*Entry, error) {
	all := catalogue()
	i := slices.IndexFunc(all, func(e *Entry) bool { return e.ID == id })
	if i < 0 {
		return nil, fmt.Errorf("fault %q: %w (sawhorse faults lists all %d)%s", id, ErrUnknown, len(all), nearest.Question(id, IDs()))
	}
	return all[i], nil
}

// Parse reads a fault as it is written on a command line: NAME, or
// NAME:PARAM=VALUE,PARAM=VALUE. A value is read as the parameter's kind has it; one of
// kind text may have commas. The error says what was expected.
func Parse(text string) (id string, params map[string]any, err error) {
	id, rest, given := strings.Cut(text, ":")
	e, err := Find(id)
	if err != nil || !given {
		return id, nil, err
	}
	values := map[string]string{}
	last := ""
	for part := range strings.SplitSeq(rest, ",") {
		name, value, ok := strings.Cut(part, "=")
		switch p := e.param(last); {
		case !ok && p != nil && p.Kind == Text && len(p.Words) == 0:
			values[last] += "," + part
			continue
		case !ok || name == "":
			return id, nil, fmt.Errorf("fault %q: %q, want PARAM=VALUE", text, part)
		}
		if _, twice := values[name]; twice {
			return id, nil, fmt.Errorf("fault %q: parameter %s for a second time, want it once", text, name)
		}
		values[name], last = value, name
	}
	params = map[string]any{}
	for _, name := range slices.Sorted(maps.Keys(values)) {
		if params[name], err = e.Value(name, values[name]); err != nil {
			return id, nil, fmt.Errorf("fault %s: %w", id, err)
		}
	}
	_, err = New(id, params)
	return id, params, err
}

// Value reads the value of one of the parameters from a text.
func (e *Entry) Value(name, text string) (any, error) {
	p := e.param(name)
	if p == nil {
		return nil, e.unknown(name)
	}
	return p.accept(p.read(text))
}

func (e *Entry) unknown(name string) error {
	var names []string
	for _, p := range e.Params {
		names = append(names, p.Name)
	}
	return fmt.Errorf("parameter %q is not known, want %s%s", name, e.names(), nearest.Question(name, names))
}

func (e *Entry) param(name string) *Param {
	i := slices.IndexFunc(e.Params, func(p Param) bool { return p.Name == name })
	if i < 0 {
		return nil
	}
	return &e.Params[i]
}

// read is a text in the parameter's own type; as it is where it does not fit.
func (p *Param) read(text string) any {
	switch p.Kind {
	case Number:
		if f, err := strconv.ParseFloat(text, 64); err == nil {
			return f
		}
	case Bool:
		switch text {
		case "true":
			return true
		case "false":
			return false
		}
	}
	return text
}
