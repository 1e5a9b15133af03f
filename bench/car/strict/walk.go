package strict

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Scalar is one value of a document as it was written.
type Scalar struct {
	// Path is its place, such as $.dids[2].did; Keys are the keys on the way to it,
	// without those places in lists: dids, did.
	Path string
	Keys []string
	// Text is the value as the file has it, without quotes; Quoted tells of them.
	Text   string
	Quoted bool

	at int
}

// Under is the key of the value: of a value in a list that of the list.
func (s *Scalar) Under() string {
	if len(s.Keys) == 0 {
		return ""
	}
	return s.Keys[len(s.Keys)-1]
}

// Route is the keys on the way joined by dots, such as dids.did.
func (s *Scalar) Route() string { return strings.Join(s.Keys, ".") }

// Scalars lists the values of the document in the order of the file.
func (d *Doc) Scalars() []Scalar {
	var all []Scalar
	d.gather(&all, 0, "$", nil)
	return all
}

func (d *Doc) gather(to *[]Scalar, at int, path string, keys []string) {
	switch n := &d.tree[at]; n.kind {
	case mapping:
		items := d.tree.items(at)
		for i := 0; i < len(items); i += 2 {
			key := d.tree[items[i]].text
			d.gather(to, items[i+1], path+"."+key, append(keys[:len(keys):len(keys)], key))
		}
	case list:
		for i, item := range d.tree.items(at) {
			d.gather(to, item, path+"["+strconv.Itoa(i)+"]", keys)
		}
	case null:
	default:
		*to = append(*to, Scalar{Path: path, Keys: keys, Text: n.text, Quoted: n.kind == quoted, at: at})
	}
}

// Hex checks that the values under the keys are written so that nobody reads another
// number than was meant: with 0x, or as one digit. Without it YAML takes 7E2 for
// 700 and 712 for seven hundred and twelve, where 0x712 is meant.
func (d *Doc) Hex(keys ...string) error {
	is := map[string]bool{}
	for _, k := range keys {
		is[k] = true
	}
	for _, s := range d.Scalars() {
		if !is[s.Under()] || s.Text == "" {
			continue
		}
		digits, marked := strings.CutPrefix(strings.ToLower(s.Text), "0x")
		_, err := strconv.ParseUint(digits, 16, 64)
		switch {
		case err != nil:
			return d.at(&s, "%q is no number, want hexadecimal digits as in 0x7E2", s.Text)
		case s.Quoted:
			return d.at(&s, "%q in quotes, want a number as in 0x%s", s.Text, strings.ToUpper(digits))
		case !marked && len(digits) > 1:
			return d.at(&s, "%s can be read in two ways, want it with 0x in front: 0x%s", s.Text, strings.ToUpper(digits))
		}
	}
	return nil
}

// at is an error about a value.
func (d *Doc) at(s *Scalar, format string, args ...any) error {
	line, column := d.tree.place(s.at)
	return &Error{File: d.File, Line: line, Column: column, Path: s.Path, Problem: fmt.Sprintf(format, args...)}
}

// Name checks that a value is one of the names of a kind of thing, as in "output of the
// unit's program".
func (d *Doc) Name(s *Scalar, what string, names []string) error {
	if slices.Contains(names, s.Text) {
		return nil
	}
	return d.at(s, "%s", unknown(s.Text, what, names))
}

// Unknown is the error about a name that is none of a kind of thing.
func (d *Doc) Unknown(path, name, what string, names []string) error {
	return d.Errorf(path, "%s", unknown(name, what, names))
}

// unknown tells the nearest name there is, and all.
func unknown(name, what string, names []string) string {
	if len(names) == 0 {
		return fmt.Sprintf("%q is no %s: there is none", name, what)
	}
	return fmt.Sprintf("%q is no %s%s, want one of %s", name, what, didYouMean(name, names), strings.Join(names, ", "))
}
