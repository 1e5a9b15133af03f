package dbc

import (
	"fmt"
	"strings"
)

// Warning is something odd in a file whose meaning was clear nevertheless.
type Warning struct {
	File         string
	Line, Column int // from 1, the column in characters
	What         string
}

func (w Warning) String() string {
	return fmt.Sprintf("%s:%d:%d: %s", w.File, w.Line, w.Column, w.What)
}

// Error is a place of a file whose meaning is not clear.
type Error struct {
	File         string
	Line, Column int // from 1, the column in characters
	What         string
}

func (e *Error) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.What)
}

// Errors is why a file was refused, at least one; reading stops after maxErrors.
type Errors []*Error

const maxErrors = 20

// Error writes one line for each.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i := range e {
		lines[i] = e[i].Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the single errors.
func (e Errors) Unwrap() []error {
	list := make([]error, len(e))
	for i := range e {
		list[i] = e[i]
	}
	return list
}
