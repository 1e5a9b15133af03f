package rules

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Severity says what becomes of a run in which a rule is broken.
type Severity uint8

// The severities: advice, or a failure.
const (
	Should Severity = iota
	Must
)

// String is the severity's word.
func (s Severity) String() string {
	if s == Must {
		return "must"
	}
	return "should"
}

// Rule is one rule of conduct.
type Rule struct {
	// ID names it, Group what it is about.
	ID, Group string
	Severity  Severity
	// Says is the rule in one sentence, Source where it comes from, Why what
	// goes wrong without it.
	Says, Source, Why string
	// Alone is set where the rule is about single frames of the tool as they were sent, and
	// leaves out those that a fault has touched: no fault excuses it.
	Alone bool
	// begin makes its state machine for one run.
	begin func() watcher
}

// watcher sees one event after the other, each with the state of affairs before it.
type watcher func(e *event, b *book, t *tally)

// Prefix begins the ids of the rules' verdicts.
const Prefix = "rule/"

// ErrUnknown is wrapped by errors about rules that do not exist.
var ErrUnknown = errors.New("unknown rule")

// All lists the rules, by group.
func All() []Rule {
	return slices.Concat(frameRules, flowRules, segmentRules, askingRules, answerRules, sessionRules,
		securityRules, transferRules, codeRules, safetyRules)
}

// Find is the rule of an id, with or without Prefix.
func Find(id string) (Rule, error) {
	for _, r := range All() {
		if r.ID == strings.TrimPrefix(id, Prefix) {
			return r, nil
		}
	}
	return Rule{}, fmt.Errorf("rule %q: %w", id, ErrUnknown)
}

// IDs lists the rules' ids, in the order of All.
func IDs() []string {
	var ids []string
	for _, r := range All() {
		ids = append(ids, r.ID)
	}
	return ids
}

// stateless makes begin of a watcher without a state of its own.
func stateless(w watcher) func() watcher { return func() watcher { return w } }
