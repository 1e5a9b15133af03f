package strict

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Scalar is one value of a document as it was written.
type Scalar struct {
	// Keys are the keys on the way to it, without those places in lists: dids, did. They
	// are good until the next one.
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

// Within reports whether the keys on the way end in these.
func (s *Scalar) Within(keys ...string) bool {
	n := len(s.Keys) - len(keys)
	return n >= 0 && slices.Equal(s.Keys[n:], keys)
}

// Each visits the values of the document in the order of the file until one gives an
// error, which it returns.
func (d *Doc) Each(visit func(s *Scalar) error) error {
	return d.each(&Scalar{}, visit)
}

func (d *Doc) each(s *Scalar, visit func(*Scalar) error) error {
	at := s.at
	switch n := &d.tree[at]; n.kind {
	case mapping:
		depth := len(s.Keys)
		for k, end := at+1, at+int(n.size); k < end; {
			s.Keys = append(s.Keys[:depth], d.tree[k].text)
			k++
			s.at = k
			if err := d.each(s, visit); err != nil {
				return err
			}
			k += int(d.tree[k].size)
		}
		s.Keys = s.Keys[:depth]
	case list:
		for k, end := at+1, at+int(n.size); k < end; k += int(d.tree[k].size) {
			s.at = k
			if err := d.each(s, visit); err != nil {
				return err
			}
		}
	case null:
	default:
		s.Text, s.Quoted = n.text, n.kind == quoted
		return visit(s)
	}
	return nil
}

// path is the place of a node, such as $.dids[2].did.
func (t tree) path(at int) string {
	path := "$"
	for i := 0; i < at; {
		n, inside := 0, false
		items := t.items(i)
		for k, item := range items {
			if t[i].kind == mapping && k%2 == 0 {
				continue
			}
			if at < item || at >= item+int(t[item].size) {
				n++
				continue
			}
			if t[i].kind == mapping {
				path += "." + t[items[k-1]].text
			} else {
				path += "[" + strconv.Itoa(n) + "]"
			}
			i, inside = item, true
			break
		}
		if !inside {
			break
		}
	}
	return path
}

// Hex checks that the values under the keys are written so that nobody reads another
// number than was meant: with 0x, or as one digit. Without it YAML takes 7E2 for
// 700 and 712 for seven hundred and twelve, where 0x712 is meant.
func (d *Doc) Hex(keys ...string) error {
	is := map[string]bool{}
	for _, k := range keys {
		is[k] = true
	}
	return d.Each(func(s *Scalar) error {
		if !is[s.Under()] || s.Text == "" {
			return nil
		}
		digits, marked := strings.CutPrefix(s.Text, "0x")
		if !marked {
			digits, marked = strings.CutPrefix(s.Text, "0X")
		}
		_, err := strconv.ParseUint(digits, 16, 64)
		switch {
		case err != nil:
			return d.at(s, "%q is no number, want hexadecimal digits as in 0x7E2", s.Text)
		case s.Quoted:
			return d.at(s, "%q in quotes, want a number as in 0x%s", s.Text, strings.ToUpper(digits))
		case !marked && len(digits) > 1:
			return d.at(s, "%s can be read in two ways, want it with 0x in front: 0x%s", s.Text, strings.ToUpper(digits))
		}
		return nil
	})
}

// at is an error about a value.
func (d *Doc) at(s *Scalar, format string, args ...any) error {
	line, column := d.tree.place(s.at)
	return &Error{File: d.File, Line: line, Column: column, Path: d.tree.path(s.at), Problem: fmt.Sprintf(format, args...)}
}

// Name checks that a value is one of the names of a kind of thing, as in "output of the
// unit's program".
func (d *Doc) Name(s *Scalar, what string, names []string) error {
	if slices.Contains(names, s.Text) {
		return nil
	}
	return d.at(s, "%s", unknown(s.Text, what, slices.Sorted(slices.Values(names))))
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
