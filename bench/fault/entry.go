package fault

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Entry is one fault as the catalogue describes it.
type Entry struct {
	// ID names the fault in scenarios; Title is for people.
	ID    string `yaml:"fault"`
	Title string `yaml:"title"`
	// Group is the heading it stands under.
	Group string `yaml:"-"`
	// Cause says in plain words what is broken.
	Cause  string  `yaml:"cause"`
	Params []Param `yaml:"params"`
	// Driver is what the driver sees, Finding how a practitioner finds it,
	// Mending how it is put right.
	Driver  string `yaml:"driver_sees"`
	Finding string `yaml:"found_by"`
	Mending string `yaml:"mended_by"`
	// Codes are the trouble codes that follow; Also those that a parameter adds.
	Codes []string `yaml:"codes"`
	Also  []More   `yaml:"also"`
	// Cautions are for whoever repeats it on a real car.
	Cautions []string  `yaml:"cautions"`
	Acts     []actSpec `yaml:"acts"`

	acts []boundAct
}

// More are codes that come only with a parameter of kind bool.
type More struct {
	If    string   `yaml:"if"`
	Codes []string `yaml:"codes"`
}

// Kinds of parameter.
const (
	Number = "number"
	Bool   = "bool"
	Text   = "text"
)

// Param is one parameter of a fault.
type Param struct {
	Name string `yaml:"name"`
	// Kind is Number, Bool or Text.
	Kind string `yaml:"kind"`
	Text string `yaml:"text"`
	// Unit, Min and Max belong to a number.
	Unit string  `yaml:"unit"`
	Min  float64 `yaml:"min"`
	Max  float64 `yaml:"max"`
	// Words are the values of a text.
	Words   []string `yaml:"words"`
	Default any      `yaml:"default"`
}

// Want says what values the parameter takes.
func (p *Param) Want() string {
	switch p.Kind {
	case Bool:
		return "true or false"
	case Text:
		return strings.Join(p.Words, ", ")
	}
	return strings.TrimSpace(fmt.Sprintf("%g..%g %s", p.Min, p.Max, p.Unit))
}

// accept checks a value and gives it in its own type: float64, bool or string.
func (p *Param) accept(v any) (any, error) {
	switch x := v.(type) {
	case bool:
		if p.Kind == Bool {
			return x, nil
		}
	case string:
		if p.Kind == Text && slices.Contains(p.Words, x) {
			return x, nil
		}
	case int:
		return p.accept(float64(x))
	case int64:
		return p.accept(float64(x))
	case uint64:
		return p.accept(float64(x))
	case float64:
		if p.Kind == Number && !math.IsNaN(x) && x >= p.Min && x <= p.Max {
			return x, nil
		}
	}
	return nil, fmt.Errorf("parameter %s is %v, want %s", p.Name, v, p.Want())
}

// Params are the parameters of one fault: float64, bool or string.
type Params map[string]any

// Bool is the value of a parameter of that kind; false if there is none.
func (p Params) Bool(name string) bool { b, _ := p[name].(bool); return b }

// Number is the value of a parameter of that kind.
func (p Params) Number(name string) float64 { f, _ := p[name].(float64); return f }

// params checks the values given and adds the defaults.
func (e *Entry) params(given map[string]any) (Params, error) {
	p := Params{}
	for i := range e.Params {
		d := &e.Params[i]
		v, ok := given[d.Name]
		if !ok {
			v = d.Default
		}
		var err error
		if p[d.Name], err = d.accept(v); err != nil {
			return nil, err
		}
	}
	for _, name := range sortedKeys(given) {
		if _, ok := p[name]; !ok {
			return nil, fmt.Errorf("parameter %q is not known, want %s", name, e.names())
		}
	}
	return p, nil
}

func (e *Entry) names() string {
	if len(e.Params) == 0 {
		return "none"
	}
	var names []string
	for _, p := range e.Params {
		names = append(names, p.Name)
	}
	return strings.Join(names, ", ")
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
