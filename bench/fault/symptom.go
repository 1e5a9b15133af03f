package fault

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"sawhorse/bench/car/strict"
)

// Symptom is what can be measured while the fault is there and not at a sound
// car: a signal's value over one part of a drive, beyond a bound.
type Symptom struct {
	Signal string `yaml:"signal"`
	// Of is whose signal: the car's own truth ("car", the default), or what an ECU
	// reads: engine, gearbox, brake, body.
	Of string `yaml:"of"`
	// Where is the part of the drive.
	Where string `yaml:"where"`
	// Is says what is taken of it: mean (the default), lowest, highest, spread
	// (highest less lowest).
	Is    string   `yaml:"is"`
	Above *float64 `yaml:"above"`
	Below *float64 `yaml:"below"`
}

// Shown reports whether a measured value is the symptom.
func (s *Symptom) Shown(v float64) bool {
	return s.Above != nil && v > *s.Above || s.Below != nil && v < *s.Below
}

// String says it in a few words.
func (s *Symptom) String() string {
	text := s.Is + " " + s.Signal
	if s.Of != "car" {
		text += " (" + s.Of + " ECU)"
	}
	if s.Above != nil {
		return fmt.Sprintf("%s in %s above %g", text, s.Where, *s.Above)
	}
	return fmt.Sprintf("%s in %s below %g", text, s.Where, *s.Below)
}

func (s *Symptom) check(d *strict.Doc, at string) error {
	if s.Of == "" {
		s.Of = "car"
	}
	if s.Is == "" {
		s.Is = "mean"
	}
	if s.Signal == "" || s.Where == "" {
		return d.Errorf(at, "a symptom without signal or where, want both")
	}
	if (s.Above == nil) == (s.Below == nil) {
		return d.Errorf(at, "want exactly one of above and below")
	}
	if err := d.Word(at+".of", s.Of, "car", "engine", "gearbox", "brake", "body"); err != nil {
		return err
	}
	return d.Word(at+".is", s.Is, "mean", "lowest", "highest", "spread")
}

// fill puts the values of parameters in place of their names in braces, such as
// injector-{cylinder}.
func fill(s string, p Params) string {
	if !strings.Contains(s, "{") {
		return s
	}
	for _, name := range sortedKeys(p) {
		v := ""
		switch x := p[name].(type) {
		case float64:
			v = strconv.FormatFloat(x, 'f', -1, 64)
		case string:
			v = x
		}
		s = strings.ReplaceAll(s, "{"+name+"}", v)
	}
	return s
}

// checkBraces checks that what stands in braces is a parameter with few values: words,
// or whole numbers.
func (e *Entry) checkBraces(s string) error {
	for {
		i := strings.IndexByte(s, '{')
		if i < 0 {
			return nil
		}
		j := strings.IndexByte(s[i:], '}')
		if j < 0 {
			return fmt.Errorf("%q has no closing brace", s)
		}
		name := s[i+1 : i+j]
		k := slices.IndexFunc(e.Params, func(q Param) bool { return q.Name == name })
		if k < 0 || e.Params[k].Kind == Bool || e.Params[k].Kind == Number && !e.Params[k].Whole {
			return fmt.Errorf("{%s}, want a parameter with words or whole numbers", name)
		}
		s = s[i+j+1:]
	}
}
