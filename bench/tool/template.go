package tool

import (
	"encoding/hex"
	"fmt"
	"maps"
	"sort"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/task"
)

// Values fill the placeholders of a profile.
type Values struct {
	// BusURL names the bus: unix:PATH or can:IFACE. SocketPath and Interface
	// are its two parts; the one that does not apply is "".
	BusURL, SocketPath, Interface string
	// Arguments are the task's.
	Arguments map[string]string
	// Car is the name of the car on the bench, "" where nobody knows.
	Car string
	// Limit is the time that the task has.
	Limit time.Duration
}

// key is what an entry is chosen by: the arguments, and the car.
func (v *Values) key() map[string]string {
	if v.Car == "" {
		return v.Arguments
	}
	m := maps.Clone(v.Arguments)
	if m == nil {
		m = map[string]string{}
	}
	m[carKey] = v.Car
	return m
}

// carKey is what an entry's "for" calls the car.
const carKey = "car"

// argumentPrefix begins the placeholders of arguments: {argument.position}.
const argumentPrefix = "argument."

// placeholders are the names that may stand in braces: the bus, and the arguments of
// all tasks.
var placeholders = sync.OnceValue(func() map[string]func(v *Values) string {
	m := map[string]func(v *Values) string{
		"bus.url":       func(v *Values) string { return v.BusURL },
		"bus.socket":    func(v *Values) string { return v.SocketPath },
		"bus.interface": func(v *Values) string { return v.Interface },
		carKey:          func(v *Values) string { return v.Car },
		"limit.s":       func(v *Values) string { return whole(v.Limit, time.Second) },
		"limit.ms":      func(v *Values) string { return whole(v.Limit, time.Millisecond) },
	}
	for _, a := range task.Arguments() {
		m[argumentPrefix+a.Name] = func(v *Values) string { return v.Arguments[a.Name] }
	}
	return m
})

// whole is a time in a unit, rounded up: a tool that gets less stops too early.
func whole(d, unit time.Duration) string {
	if d <= 0 {
		return ""
	}
	return strconv.FormatInt(int64((d+unit-1)/unit), 10)
}

// hexMark behind a placeholder's name writes the bytes of its text in hexadecimal digits.
const hexMark = ":hex"

// template is a text with placeholders: {bus.url}. Doubled braces stand for
// one of them.
type template struct{ parts []templatePart }

type templatePart struct {
	literal, name string
	hex           bool
}

func (s *source) template(n ast.Node, what string) (template, error) {
	text, err := s.scalar(n, what)
	if err != nil {
		return template{}, err
	}
	t, err := parseTemplate(text)
	if err != nil {
		return template{}, s.errorf(n, "%s %q: %v", what, text, err)
	}
	return t, nil
}

func parseTemplate(text string) (template, error) {
	var t template
	var lit strings.Builder
	flush := func() {
		if lit.Len() > 0 {
			t.parts = append(t.parts, templatePart{literal: lit.String()})
			lit.Reset()
		}
	}
	for len(text) > 0 {
		i := strings.IndexAny(text, "{}")
		if i < 0 {
			lit.WriteString(text)
			break
		}
		lit.WriteString(text[:i])
		c := text[i]
		text = text[i+1:]
		if strings.HasPrefix(text, string(c)) {
			lit.WriteByte(c)
			text = text[1:]
			continue
		}
		name, rest, ok := strings.Cut(text, "}")
		name, hex := strings.CutSuffix(name, hexMark)
		if c == '}' || !ok {
			return t, fmt.Errorf("single %q, expected {NAME}, or {{ or }} for a brace itself", c)
		}
		if _, known := placeholders()[name]; !known {
			return t, fmt.Errorf("unknown placeholder {%s}, expected one of %s", name, placeholderNames())
		}
		flush()
		t.parts = append(t.parts, templatePart{name: name, hex: hex})
		text = rest
	}
	flush()
	return t, nil
}

func placeholderNames() string {
	var names []string
	for n := range placeholders() {
		names = append(names, "{"+n+"}")
	}
	sort.Strings(names)
	return strings.Join(names, ", ")
}

func (t template) uses(name string) bool {
	for _, p := range t.parts {
		if p.name == name {
			return true
		}
	}
	return false
}

// expand fills the placeholders; one without a value is an error, since an
// empty argument would mean something else to the tool. words are the tool's own for
// those of arguments.
func (t template) expand(v Values, words map[string]map[string]string) (string, error) {
	var b strings.Builder
	for _, p := range t.parts {
		if p.name == "" {
			b.WriteString(p.literal)
			continue
		}
		s := placeholders()[p.name](&v)
		if s == "" {
			return "", fmt.Errorf("{%s} has no value on bus %q", p.name, v.BusURL)
		}
		if argument, ok := strings.CutPrefix(p.name, argumentPrefix); ok && words[argument] != nil {
			theirs, known := words[argument][s]
			if !known {
				return "", fmt.Errorf("{%s}: the profile has no word for %q, expected it under words", p.name, s)
			}
			s = theirs
		}
		if p.hex {
			s = strings.ToUpper(hex.EncodeToString([]byte(s)))
		}
		b.WriteString(s)
	}
	return b.String(), nil
}
