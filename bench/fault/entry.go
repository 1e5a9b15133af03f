package fault

import (
	"fmt"
	"maps"
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
	// Chooses adds the parameters by which frames are chosen.
	Chooses bool `yaml:"chooses_frames"`
	// Signals adds the parameters by which a signal of a message is chosen.
	Signals bool `yaml:"chooses_signal"`
	// Answers adds the parameters by which answers of ECUs are chosen.
	Answers bool `yaml:"chooses_answers"`
	// ShowsIn names the drive in which it shows (see Drives), and Symptom what can
	// then be measured; nil for one that nothing but its codes tells.
	ShowsIn string   `yaml:"shows_in"`
	Symptom *Symptom `yaml:"symptom"`
	// Cautions are for whoever repeats it on a real car.
	Cautions []string  `yaml:"cautions"`
	Acts     []actSpec `yaml:"acts"`

	acts []boundAct
}

// choosing are the parameters of every fault that is done to chosen frames.
var choosing = []Param{
	{Name: "ids", Kind: Text, Default: "", Text: "identifiers: 7E8, 7E0-7EF, 700/7F0, several with blanks between; none means all"},
	{Name: "message", Kind: Text, Default: "", Text: "a message by its name in a .dbc file"},
	{Name: "dbc", Kind: Text, Default: "", Text: "the .dbc file that names messages; none means the car's own"},
	{Name: "sender", Kind: Text, Default: "", Text: "whose frames: the name of a node, or tool; none means everybody's"},
	{Name: "part", Kind: Text, Words: []string{"any", "single", "first", "consecutive", "flow-control"}, Default: "any", Text: "which part of an ISO 15765-2 message"},
	{Name: "skip", Kind: Number, Max: 1e9, Default: 0.0, Text: "how many matching frames are left alone first"},
	{Name: "every", Kind: Number, Min: 1, Max: 1e9, Default: 1.0, Text: "every how many-th of them is touched"},
	{Name: "count", Kind: Number, Max: 1e9, Default: 0.0, Text: "how many are touched at most; 0 is without bound"},
	{Name: "share", Kind: Number, Min: 0.01, Max: 100, Unit: "%", Default: 100.0, Text: "with what probability"},
}

// choosingAnswers are those of every fault that is done to chosen answers.
var choosingAnswers = []Param{
	{Name: "ecu", Kind: Text, Default: "", Text: "whose answers: the name of an ECU; none means all"},
	{Name: "service", Kind: Text, Default: "", Text: "to which service, as the hexadecimal byte of the request; none means all"},
	{Name: "item", Kind: Text, Default: "", Text: "bytes that follow the service in the answer, such as F1 90; none means any"},
	{Name: "skip", Kind: Number, Max: 1e9, Default: 0.0, Text: "how many matching answers are left alone first"},
	{Name: "count", Kind: Number, Max: 1e9, Default: 0.0, Text: "how many are touched at most; 0 is without bound"},
	{Name: "share", Kind: Number, Min: 0.01, Max: 100, Unit: "%", Default: 100.0, Text: "with what probability"},
}

// choosingSignal are those of every fault that is done to a signal of a message.
var choosingSignal = []Param{
	{Name: "dbc", Kind: Text, Default: "", Text: "the .dbc file that describes the network; none means the car's own, where it has one"},
	{Name: "message", Kind: Text, Default: "", Text: "name of the message"},
	{Name: "sender", Kind: Text, Default: "", Text: "whose frames: the name of a node, or tool; none means everybody's"},
	{Name: "skip", Kind: Number, Max: 1e9, Default: 0.0, Text: "how many matching frames are left alone first"},
	{Name: "every", Kind: Number, Min: 1, Max: 1e9, Default: 1.0, Text: "every how many-th of them is touched"},
	{Name: "count", Kind: Number, Max: 1e9, Default: 0.0, Text: "how many are touched at most; 0 is without bound"},
	{Name: "share", Kind: Number, Min: 0.01, Max: 100, Unit: "%", Default: 100.0, Text: "with what probability"},
	{Name: "checksum", Kind: Text, Words: []string{"right", "keep", "wrong"}, Default: "right", Text: "what becomes of the message's checksum: made right again, kept as it was, or made wrong"},
}

// More are codes that come only with a parameter: of kind bool, or a text that is
// a certain word.
type More struct {
	If    string   `yaml:"if"`
	Is    string   `yaml:"is"`
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
	Unit string `yaml:"unit"`
	// Whole takes whole numbers only.
	Whole bool    `yaml:"whole"`
	Min   float64 `yaml:"min"`
	Max   float64 `yaml:"max"`
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
		if len(p.Words) == 0 {
			return fmt.Sprintf("a text of at most %d bytes", maxText)
		}
		return strings.Join(p.Words, ", ")
	}
	kind := ""
	if p.Whole {
		kind = "whole "
	}
	return strings.TrimSpace(fmt.Sprintf("%s%g..%g %s", kind, p.Min, p.Max, p.Unit))
}

// accept checks a value and gives it in its own type: float64, bool or string.
func (p *Param) accept(v any) (any, error) {
	switch x := v.(type) {
	case bool:
		if p.Kind == Bool {
			return x, nil
		}
	case string:
		if p.Kind == Text && (slices.Contains(p.Words, x) || len(p.Words) == 0 && len(x) <= maxText) {
			return x, nil
		}
	case int:
		return p.accept(float64(x))
	case int64:
		return p.accept(float64(x))
	case uint64:
		return p.accept(float64(x))
	case float64:
		if p.Kind == Number && !math.IsNaN(x) && x >= p.Min && x <= p.Max && (!p.Whole || x == math.Trunc(x)) {
			return x, nil
		}
	}
	return nil, fmt.Errorf("parameter %s is %v, want %s", p.Name, v, p.Want())
}

// maxText bounds a text without words, such as a set of identifiers, in bytes.
const maxText = 200

// Params are the parameters of one fault: float64, bool or string.
type Params map[string]any

// Bool is the value of a parameter of that kind; false if there is none.
func (p Params) Bool(name string) bool { b, _ := p[name].(bool); return b }

// Number is the value of a parameter of that kind.
func (p Params) Number(name string) float64 { f, _ := p[name].(float64); return f }

// Text is the value of a parameter of that kind.
func (p Params) Text(name string) string { s, _ := p[name].(string); return s }

// params checks the values given and adds the defaults.
func (e *Entry) params(given map[string]any) (Params, error) {
	p := Params{}
	for i := range e.Params {
		d := &e.Params[i]
		v, ok := given[d.Name]
		if text, is := v.(string); is {
			v = d.read(text)
		}
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
			return nil, e.unknown(name)
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
	return slices.Sorted(maps.Keys(m))
}
