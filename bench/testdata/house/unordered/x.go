// Package unordered breaks a rule of the house on purpose.
package unordered

import (
	"maps"
	"slices"
)

type names map[string]int

// Texts gives out what a map holds.
func Texts(m names) []string {
	var list []string
	for k := range m { // broken
		list = append(list, k)
	}
	// any order: the list is sorted below
	for k := range m {
		list = append(list, k)
	}
	for k := range maps.Keys(m) { // broken
		list = append(list, k)
	}
	slices.Sort(list)
	for _, k := range slices.Sorted(maps.Keys(m)) {
		list = append(list, k)
	}
	for range list {
		list = append(list, slices.Collect(maps.Keys(m))...) // broken
	}
	return list
}
