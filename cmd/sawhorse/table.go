package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
)

// table aligns columns for people.
type table struct {
	w      *tabwriter.Writer
	indent string
}

func newTable(w io.Writer, indent string) *table {
	return &table{tabwriter.NewWriter(w, 0, 0, 2, ' ', 0), indent}
}

func (t *table) row(cells ...string) {
	fmt.Fprintf(t.w, "%s%s\n", t.indent, strings.Join(cells, "\t"))
}

func (t *table) flush() { _ = t.w.Flush() }

// wrap breaks a text into lines of at most width, each behind an indent.
func wrap(text string, width int, indent string) string {
	var b strings.Builder
	line := indent
	for _, word := range strings.Fields(text) {
		if len(line) > len(indent) && len(line)+1+len(word) > width {
			b.WriteString(line + "\n")
			line = indent
		}
		if len(line) > len(indent) {
			line += " "
		}
		line += word
	}
	return b.String() + line
}
