package fault

import (
	"regexp"
	"slices"
	"strings"
)

// Search finds faults by what a person knows of them: the whole name; a trouble code; or
// words, each of which stands somewhere in what the catalogue tells of a fault, at the
// beginning of a word or, from four letters on, within one. Names and titles come before
// what is said further down.
func Search(words ...string) []*Entry {
	all := Catalogue()
	var list []*Entry
	query := strings.ToLower(strings.Join(words, " "))
	for _, e := range all {
		if e.ID == query {
			return []*Entry{e}
		}
	}
	if code := strings.ToUpper(query); codePattern.MatchString(code) {
		for _, e := range all {
			if e.brings(code) {
				list = append(list, e)
			}
		}
		return list
	}
	terms := strings.FieldsFunc(query, func(r rune) bool { return r == ' ' || r == ',' })
	if len(terms) == 0 {
		return nil
	}
	var heads []string // the names of those found by name or title
	for _, e := range all {
		head := strings.ToLower(e.ID + " " + strings.ReplaceAll(e.ID, "-", " ") + " " + e.Title)
		rest := strings.ToLower(strings.Join([]string{head, e.Group, e.Cause, e.Driver, e.Finding, e.Mending}, " "))
		if every(terms, rest) {
			list = append(list, e)
			if every(terms, head) {
				heads = append(heads, e.ID)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b *Entry) int { return rank(heads, a) - rank(heads, b) })
	return list
}

func rank(first []string, e *Entry) int {
	if slices.Contains(first, e.ID) {
		return 0
	}
	return 1
}

func every(terms []string, text string) bool {
	return !slices.ContainsFunc(terms, func(t string) bool {
		i := strings.Index(text, t)
		return i < 0 || len(t) < 4 && !strings.HasPrefix(text, t) && !strings.Contains(text, " "+t)
	})
}

var braces = regexp.MustCompile(`\{[^}]*\}`)

// brings reports whether a code can come of the fault, with whatever parameters.
func (e *Entry) brings(code string) bool {
	of := func(codes []string) bool {
		return slices.ContainsFunc(codes, func(c string) bool {
			if !strings.Contains(c, "{") {
				return c == code
			}
			return regexp.MustCompile("^" + braces.ReplaceAllString(c, "[0-9A-F]+") + "$").MatchString(code)
		})
	}
	return of(e.Codes) || slices.ContainsFunc(e.Also, func(m More) bool { return of(m.Codes) })
}
