// Package nearest finds what a person meant who misspelt a name.
package nearest

import (
	"fmt"
	"slices"
	"strings"
)

// most bounds how many names are proposed.
const most = 3

// To lists the names that come nearest to a word, the nearest first: at most one letter in
// three is another, missing, too much, or in its neighbour's place. Of names that begin
// with the word, or have it between two hyphens, no letter counts.
func To(word string, known []string) []string {
	type near struct {
		name string
		off  int
	}
	var list []near
	word = strings.ToLower(word)
	for _, name := range known {
		low := strings.ToLower(name)
		off := distance(word, low)
		if len(word) >= 3 && strings.Contains("-"+low+"-", "-"+word) {
			off = 0
		}
		if off <= max(len(word), len(name))/3 {
			list = append(list, near{name, off})
		}
	}
	slices.SortStableFunc(list, func(a, b near) int { return a.off - b.off })
	var names []string
	for _, n := range list[:min(len(list), most)] {
		if n.off <= list[0].off+1 { // what is two letters further off was not meant
			names = append(names, n.name)
		}
	}
	return names
}

// Question is "; did you mean a or b?", or else "" where nothing comes near.
func Question(word string, known []string) string {
	names := To(word, known)
	if len(names) == 0 {
		return ""
	}
	return fmt.Sprintf("; did you mean %s?", strings.Join(names, " or "))
}

// distance is the number of letters put in, left out, changed or exchanged with their
// neighbour (optimal string alignment).
func distance(a, b string) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			same := 1
			if a[i-1] == b[j-1] {
				same = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+same)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
