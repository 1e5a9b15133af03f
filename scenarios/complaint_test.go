package scenarios_test

import (
	"crypto/sha256"
	"os"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/judge"
	"sawhorse/bench/tool"
	"sawhorse/cmd/demotool/tester"
	"sawhorse/scenarios"
)

// What the customer says changes neither what happens nor what is made of it: with
// another theory, and with none, every frame and every verdict is the same.
func TestAComplaintDoesNotMatter(t *testing.T) {
	const name = "exchanged-customers-theory"
	source, ok := scenarios.Source(name)
	require.True(t, ok)
	complaint := regexp.MustCompile(`(?ms)^complaint: >-\n(  [^\n]*\n)+`)
	require.True(t, complaint.Match(source))
	demo := func(task string, args map[string]string) (tool.Machine, error) { return tester.Start(task, args) }
	run := func(text []byte) ([32]byte, []judge.Verdict) {
		sc, err := scenarios.Parse(name+".yaml", text, bench.Vocabulary())
		require.NoError(t, err)
		res := execute(t, sc, demo)
		capture, err := os.ReadFile(res.Capture)
		require.NoError(t, err)
		return sha256.Sum256(capture), res.Verdicts
	}
	frames, verdicts := run(source)
	for _, v := range verdicts {
		require.Equal(t, judge.Pass, v.Outcome, "%s: %s", v.ID, v.Reason)
	}
	for _, other := range []string{"", "complaint: The starter is worn out, any fool can hear that.\n"} {
		f, v := run(complaint.ReplaceAll(source, []byte(other)))
		require.Equal(t, verdicts, v)
		require.Equal(t, frames, f, "the capture, byte for byte")
	}
}
