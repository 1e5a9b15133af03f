package scenarios

import (
	"fmt"
	"strings"
)

// Error is one mistake in a scenario file.
type Error struct {
	File string
	// Line and Column count from 1, Column in characters.
	Line, Column int
	// What is wrong, and what was expected.
	What, Want string
}

// Error is "file:line:column: what, expected want".
func (e *Error) Error() string {
	s := fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.What)
	if e.Want != "" {
		s += ", expected " + e.Want
	}
	return s
}

// Errors are all mistakes found in a file, in the order of their places.
type Errors []*Error

// Error is one line a mistake.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i, one := range e {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the single errors to errors.As.
func (e Errors) Unwrap() []error {
	list := make([]error, len(e))
	for i, one := range e {
		list[i] = one
	}
	return list
}

// maxErrors bounds what one file reports.
const maxErrors = 20

func oneOf(words []string) string {
	switch len(words) {
	case 0:
		return "none"
	case 1:
		return words[0]
	}
	return "one of " + strings.Join(words, ", ")
}
