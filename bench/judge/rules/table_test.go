package rules_test

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge/report"
	"sawhorse/bench/judge/rules"
)

var update = flag.Bool("update", false, "write golden files anew")

const tableFile = "RULES.md"

// The table of the rules in the docs is the one of the code. With -update it is
// written anew.
func TestTheTableIsCurrent(t *testing.T) {
	want := table()
	if *update {
		require.NoError(t, os.WriteFile(tableFile, []byte(want), 0o644))
	}
	got, err := os.ReadFile(tableFile)
	require.NoError(t, err)
	assert.Equal(t, want, string(got), "go test ./bench/judge/rules -run TableIsCurrent -update")
}

func table() string {
	var b strings.Builder
	b.WriteString("# The rules for every tool\n\nMade from the code by `go test ./bench/judge/rules -run TableIsCurrent -update`. " +
		"A rule that *must* be kept fails the run;\none that *should* be kept is advice. Clause numbers are from memory; common practice is what the trade does\n" +
		"without a published source. Each rule has a script of frames in `testdata/`. The last group\ncompares what the tool says with what the control units answered (`bench/judge/report`).\n")
	group := ""
	for _, r := range slices.Concat(rules.All(), report.All()) {
		if r.Group != group {
			group = r.Group
			fmt.Fprintf(&b, "\n## %s\n\n| rule | | what it says | source | why |\n|---|---|---|---|---|\n", group)
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s |\n", r.ID, r.Severity, r.Says, r.Source, r.Why)
	}
	return b.String()
}

// Each rule says what it is, where it comes from and why, and ids are unique. The
// number and the subjects are those of the job.
func TestTheBookIsWhole(t *testing.T) {
	form := regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	seen, groups := map[string]bool{}, map[string]int{}
	for _, r := range rules.All() {
		assert.Regexp(t, form, r.ID)
		assert.False(t, seen[r.ID], "rule %s twice", r.ID)
		seen[r.ID] = true
		groups[r.Group]++
		assert.NotEmpty(t, r.Says, r.ID)
		assert.NotContains(t, r.Says, ";", r.ID)
		assert.Regexp(t, `ISO 1|common practice`, r.Source, r.ID)
		assert.Regexp(t, `\.$`, r.Why, r.ID)
		found, err := rules.Find(rules.Prefix + r.ID)
		require.NoError(t, err)
		assert.Equal(t, r.Says, found.Says)
	}
	assert.GreaterOrEqual(t, len(seen), 40)
	for _, r := range report.All() {
		assert.False(t, seen[r.ID], "rule %s twice", r.ID)
		seen[r.ID] = true
		assert.Regexp(t, `ISO 1.*(clause|annex)`, r.Source, r.ID)
		assert.Regexp(t, `\.$`, r.Why, r.ID)
	}
	for _, g := range []string{"frames", "flow control", "segmentation", "emission requests", "answers", "sessions", "security", "transfer", "codes", "safety"} {
		assert.NotZero(t, groups[g], g)
	}
	_, err := rules.Find("no-such-rule")
	assert.ErrorIs(t, err, rules.ErrUnknown)
}
