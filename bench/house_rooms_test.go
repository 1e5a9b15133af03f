package bench_test

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// room is a line of the list in DEVELOPERS.md: a package and what may live there.
var room = regexp.MustCompile(`^([a-z][\w/]*) {2,}(\S.*\S)$`)

// rooms reads the first list of the text, by package; double names and lines of another
// shape are told.
func rooms(text string) (says map[string]string, wrong []string) {
	says = map[string]string{}
	_, rest, _ := strings.Cut(text, "```\n")
	list, _, _ := strings.Cut(rest, "\n```")
	for line := range strings.SplitSeq(list, "\n") {
		m := room.FindStringSubmatch(line)
		if m == nil || says[m[1]] != "" {
			wrong = append(wrong, line)
			continue
		}
		says[m[1]] = m[2]
	}
	return says, wrong
}

// Who looks for the place of something new, or of something old, reads one list.
func TestTheHousesRoomsAreAllInTheList(t *testing.T) {
	text, err := os.ReadFile("../DEVELOPERS.md")
	require.NoError(t, err)
	says, wrong := rooms(string(text))
	assert.Empty(t, wrong, "lines of another shape, or packages named twice")
	there := map[string]bool{}
	for _, p := range house(t) {
		there[folder(p)] = true
		assert.NotEmpty(t, says[folder(p)], "%s is not in the list of DEVELOPERS.md: say in a sentence what may live there", folder(p))
	}
	for name := range says {
		assert.True(t, there[name], "DEVELOPERS.md names %s, and there is no such package", name)
	}

	says, wrong = rooms("x\n```\nbench  a bench\nbench  again\n  canbus  a bus\n```\n") // the canary
	assert.Equal(t, map[string]string{"bench": "a bench"}, says)
	assert.Len(t, wrong, 2)
}
