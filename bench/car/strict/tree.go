package strict

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// kind is what a node is.
type kind uint8

const (
	null kind = iota
	boolean
	whole    // an integer that is not negative
	negative // an integer below zero
	real
	plain  // a text without quotes
	quoted // a text in quotes or a block
	list
	mapping
)

// String is the kind for people.
func (k kind) String() string {
	switch k {
	case null:
		return "nothing"
	case boolean:
		return "true or false"
	case whole, negative, real:
		return "a number"
	case plain, quoted:
		return "a text"
	case list:
		return "a list"
	}
	return "a mapping"
}

// node is one value of a document, or a key of a mapping. The nodes of a document stand in
// the order of the text, a list before its items and a mapping before its keys, each
// of which stands before its value.
type node struct {
	kind kind
	// size is how many nodes it is, those within it counted.
	size         int32
	line, column int32
	// text is a scalar as it was written, without quotes.
	text string
	// bits are the value of a number, as an integer or as IEEE 754 has it, and 1 for true.
	bits uint64
}

// tree is a document: its root comes first.
type tree []node

// items are the places of a list's items, or of a mapping's keys and values by turns.
func (t tree) items(i int) []int {
	var at []int
	for k, end := i+1, i+int(t[i].size); k < end; k += int(t[k].size) {
		at = append(at, k)
	}
	return at
}

// value is the place of what a mapping has under a key; -1 if there is none.
func (t tree) value(i int, key string) int {
	if t[i].kind != mapping {
		return -1
	}
	for k, end := i+1, i+int(t[i].size); k < end; {
		v := k + int(t[k].size)
		if t[k].text == key {
			return v
		}
		k = v + int(t[v].size)
	}
	return -1
}

// item is the place of a list's n-th item; -1 if it has fewer.
func (t tree) item(i, n int) int {
	if t[i].kind != list {
		return -1
	}
	for k, end := i+1, i+int(t[i].size); k < end; k += int(t[k].size) {
		if n == 0 {
			return k
		}
		n--
	}
	return -1
}

// find walks a path such as $.circuits[2].supply as far as it goes.
func (t tree) find(path string) int {
	i := 0
	for rest := strings.TrimPrefix(path, "$"); rest != "" && len(t) > 0; {
		var next int
		if rest[0] == '[' {
			index, after, _ := strings.Cut(rest[1:], "]")
			n, err := strconv.Atoi(index)
			if err != nil || n < 0 {
				return i
			}
			next, rest = t.item(i, n), after
		} else {
			rest = strings.TrimPrefix(rest, ".")
			end := strings.IndexAny(rest, ".[")
			if end < 0 {
				end = len(rest)
			}
			next, rest = t.value(i, rest[:end]), rest[end:]
		}
		if next < 0 {
			return i
		}
		i = next
	}
	return i
}

// place is where a node begins; a mapping, where its first key does.
func (t tree) place(i int) (line, column int) {
	if i < 0 || i >= len(t) {
		return 0, 0
	}
	return int(t[i].line), int(t[i].column)
}

// natural is a node's value in the type that it has by itself: nil, bool, uint64, int64,
// float64, string, []any or map[string]any.
func (t tree) natural(i int) any {
	n := &t[i]
	switch n.kind {
	case boolean:
		return n.bits == 1
	case whole:
		return n.bits
	case negative:
		return int64(n.bits)
	case real:
		return math.Float64frombits(n.bits)
	case plain, quoted:
		return n.text
	case list:
		l := []any{}
		for _, k := range t.items(i) {
			l = append(l, t.natural(k))
		}
		return l
	case mapping:
		m, at := map[string]any{}, t.items(i)
		for k := 0; k < len(at); k += 2 {
			m[t[at[k]].text] = t.natural(at[k+1])
		}
		return m
	}
	return nil
}

// shown is a node for messages.
func (t tree) shown(i int) string {
	n := &t[i]
	switch n.kind {
	case whole, negative, real, boolean:
		return n.text
	case plain, quoted:
		const most = 40
		if len(n.text) > most {
			return "a long text"
		}
		return fmt.Sprintf("%q", n.text)
	}
	return n.kind.String()
}
