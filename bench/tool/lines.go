package tool

import (
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/task"
)

// groupNames are the named groups that a line rule may have. A line with ecu
// names the control unit of itself and, where the line says nothing else, of
// the lines that follow.
var groupNames = []string{
	"vin", "ecu", "address", "stored", "pending", "permanent", "failure_type", "mil", "name", "value", "unit",
	"monitor", "ready", "freeze", "freeze_name", "freeze_value", "position", "outcome", "output", "driven", "reason", "cleared",
	"count", "calibration",
}

const extraPrefix = "extra_"

// lineRule reads the lines that match a regular expression.
type lineRule struct {
	match    *regexp.Regexp
	empty    []string
	unknown  []string
	signal   signalMap
	names    map[string]signalMap
	monitors map[string]string
	outcomes map[string]string
	yes      []string // texts that mean true for mil, ready and cleared
	at       place
}

func (s *source) lineRule(n ast.Node) (lineRule, error) {
	r := lineRule{signal: signalMap{factor: 1}, at: keyPlace(n)}
	fields := s.signal(&r.signal)
	fields["match"] = func(_, v ast.Node) (err error) { r.match, err = s.pattern(v); return err }
	fields["empty"] = func(_, v ast.Node) error {
		return s.list(v, "empty", func(_ int, item ast.Node) error {
			name, err := s.oneOf(item, "empty", task.Lists())
			r.empty = append(r.empty, name)
			return err
		})
	}
	fields["unknown"] = func(_, v ast.Node) error {
		return s.list(v, "unknown", func(_ int, item ast.Node) error {
			name, err := s.oneOf(item, "unknown", task.Keys())
			r.unknown = append(r.unknown, name)
			return err
		})
	}
	fields["names"] = func(_, v ast.Node) error { return s.signalNames(v, &r.names) }
	fields["monitors"] = func(_, v ast.Node) error { return s.words(v, "monitors", nil, &r.monitors) }
	fields["outcomes"] = func(_, v ast.Node) error {
		return s.words(v, "outcomes", slices.Concat(learnOutcomes, outputOutcomes()), &r.outcomes)
	}
	fields["yes"] = func(_, v ast.Node) error {
		return s.list(v, "yes", func(_ int, item ast.Node) error {
			text, err := s.text(item, "yes")
			r.yes = append(r.yes, text)
			return err
		})
	}
	if err := s.mapping(n, "line rule", fields, "match"); err != nil {
		return r, err
	}
	return r, s.checkRule(n, &r)
}

func (s *source) pattern(n ast.Node) (*regexp.Regexp, error) {
	text, err := s.text(n, "match")
	if err != nil {
		return nil, err
	}
	re, err := regexp.Compile(text)
	if err != nil {
		return nil, s.errorf(n, "match is %q, expected a regular expression (RE2): %v", text, err)
	}
	for _, g := range re.SubexpNames()[1:] {
		if g != "" && !slices.Contains(groupNames, g) && !strings.HasPrefix(g, extraPrefix) {
			return nil, s.errorf(n, "unknown group %q, expected one of %s, or %sNAME", g, strings.Join(groupNames, ", "), extraPrefix)
		}
	}
	return re, nil
}

// checkRule wants groups that go together.
func (s *source) checkRule(n ast.Node, r *lineRule) error {
	has := func(g string) bool { return r.match.SubexpIndex(g) >= 0 }
	named := slices.ContainsFunc(r.match.SubexpNames(), func(g string) bool { return g != "" })
	switch {
	case !named && len(r.empty)+len(r.unknown) == 0:
		return s.errorf(n, "line rule takes nothing, expected a named group, empty or unknown")
	case has("name") && !has("value"), has("freeze_name") != has("freeze_value"):
		return s.errorf(n, "line rule has a name without a value, expected both")
	case has("value") && !has("name") && r.signal.signal == "":
		return s.errorf(n, "line rule has a value without a name, expected group name or key signal")
	case has("monitor") != has("ready"):
		return s.errorf(n, "line rule has one of monitor and ready, expected both")
	case r.signal.signal != "" && has("name"):
		return s.errorf(n, "line rule has a signal and a group name, expected one of them")
	case has("outcome") && has("driven"):
		return s.errorf(n, "line rule has the ends of a learn and of an output, expected one of outcome and driven")
	case has("position") && !has("outcome"), has("reason") && !has("outcome") && !has("driven"):
		return s.errorf(n, "line rule has part of a learn, expected group outcome")
	case has("output") && !has("driven"):
		return s.errorf(n, "line rule has an output without its end, expected group driven")
	}
	words := learnOutcomes
	if has("driven") {
		words = outputOutcomes()
	}
	for _, theirs := range sortedKeys(r.outcomes) {
		if !slices.Contains(words, r.outcomes[theirs]) {
			return s.errorf(n, "outcomes %s is %q, expected one of %s", theirs, r.outcomes[theirs], strings.Join(words, ", "))
		}
	}
	return nil
}
