package strict

// didYouMean is " (did you mean X?)" for a name that is nearly X, else "".
func didYouMean(word string, names []string) string {
	best, least := "", len(word)/3+1
	for _, n := range names {
		if d := edits(word, n); d < least {
			best, least = n, d
		}
	}
	if best == "" {
		return ""
	}
	return " (did you mean " + best + "?)"
}

// edits counts the letters to put in, take out or change to make b of a (Levenshtein's
// distance).
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		before := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := before
			if a[i] != b[j] {
				change++
			}
			before = row[j+1]
			row[j+1] = min(change, before+1, row[j]+1)
		}
	}
	return row[len(b)]
}
