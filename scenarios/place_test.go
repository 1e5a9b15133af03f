package scenarios

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A mistake inside a condition is shown where it stands in the file, however the
// text is written in YAML.
func TestPlacesInsideTexts(t *testing.T) {
	const head = "scenario: p\ntitle: t\nabout: a\ncar: petrel-48\nduration: 1s\nexpect:\n  - id: a\n    says: s\n"
	for name, never := range map[string]string{
		"plain":              "    never: cranking && wrong\n",
		"plain over lines":   "    never: cranking\n      && mil\n      && wrong\n",
		"single quotes":      "    never: 'cranking && wrong'\n",
		"quote in quotes":    "    never: 'task != ''x'' && wrong'\n",
		"double quotes":      "    never: \"cranking && wrong\"\n",
		"escapes":            "    never: \"task != \\\"x\\\" && wrong\"\n",
		"literal block":      "    never: |\n      cranking &&\n      mil && wrong\n",
		"literal, blank":     "    never: |\n\n      cranking && wrong\n",
		"folded block":       "    never: >\n      cranking &&\n      mil &&\n      wrong\n",
		"folded, stripped":   "    never: >-\n      cranking && mil\n      && wrong\n",
		"other letters":      "    never: task != \"Größe µ\" && wrong\n",
		"quotes over lines":  "    never: 'cranking\n      && wrong'\n",
		"with a comment":     "    never: cranking && wrong # says why\n",
		"flow mapping":       "    eventually: {that: cranking && wrong, within: 1s}\n",
		"deep in a sequence": "    never: mil\n  - id: b\n    says: s\n    after: {event: cranking, then: wrong}\n",
	} {
		t.Run(name, func(t *testing.T) {
			src := head + never
			wantLine, wantColumn := 0, 0
			for i, l := range strings.Split(src, "\n") {
				if at := strings.Index(l, "wrong"); at >= 0 {
					wantLine, wantColumn = i+1, len([]rune(l[:at]))+1
				}
			}
			_, err := Parse("p.yaml", []byte(src), words())
			var all Errors
			require.ErrorAs(t, err, &all)
			require.Len(t, all, 1)
			require.Equal(t, [2]int{wantLine, wantColumn}, [2]int{all[0].Line, all[0].Column}, all[0].Error())
		})
	}
}
