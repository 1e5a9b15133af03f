package strict

import "sawhorse/bench/nearest"

// didYouMean is " (did you mean X?)" for a name that is nearly X, else "".
func didYouMean(word string, names []string) string {
	if near := nearest.To(word, names); len(near) > 0 {
		return " (did you mean " + near[0] + "?)"
	}
	return ""
}
