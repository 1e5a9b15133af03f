package main_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func read(t *testing.T, path ...string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(path...))
	require.NoError(t, err)
	return string(data)
}

// runsOf are the runs of a file of verdicts, in its order.
func runsOf(t *testing.T, text string) (names []string) {
	t.Helper()
	for line := range strings.Lines(text) {
		var l struct{ Kind, Run string }
		require.NoError(t, json.Unmarshal([]byte(line), &l))
		if l.Kind == "run" {
			names = append(names, l.Run)
		}
	}
	return names
}

// Seeds and parameters, told in the same order with the same words whatever the number
// of workers, and in parts that make up the whole.
func TestManyRunsAreToldTheSameWhateverRanFirst(t *testing.T) {
	args := []string{
		"run", "clutch-unlearned", "air-mass-dead", "--seeds", "1-9", "--param", "air-mass-dead.whole-plug=true,false",
		"--verdicts", "v.jsonl", "--junit", "j.xml",
	}
	var first result
	var verdicts, junit string
	for i, jobs := range []string{"1", "2", "8"} {
		dir := t.TempDir()
		r := sawhorse(t, dir, append(args, "--jobs", jobs)...)
		require.NotEqual(t, 2, r.status, r.out+r.errout)
		if i == 0 {
			first, verdicts, junit = r, read(t, dir, "v.jsonl"), read(t, dir, "j.xml")
			require.Len(t, runsOf(t, verdicts), 9+2*9)
			require.Equal(t, "clutch-unlearned-s1", runsOf(t, verdicts)[0])
			require.Contains(t, runsOf(t, verdicts), "air-mass-dead-s9-air-mass-dead.whole-plug=true")
			continue
		}
		require.Equal(t, first, r)
		require.Equal(t, verdicts, read(t, dir, "v.jsonl"))
		require.Equal(t, junit, read(t, dir, "j.xml"))
	}
	var parts []string
	for _, shard := range []string{"1/3", "2/3", "3/3"} {
		dir := t.TempDir()
		r := sawhorse(t, dir, append(args, "--shard", shard)...)
		require.NotEqual(t, 2, r.status, r.out+r.errout)
		part := runsOf(t, read(t, dir, "v.jsonl"))
		require.Len(t, part, 9)
		parts = append(parts, part...)
	}
	require.ElementsMatch(t, runsOf(t, verdicts), parts)
}

func TestWhatPassedIsKeptOnlyIfWanted(t *testing.T) {
	dir := t.TempDir()
	r := sawhorse(t, dir, "run", "healthy", "--seeds", "1-3", "--keep", "failed")
	require.Equal(t, 0, r.status, r.out+r.errout)
	left, err := filepath.Glob(filepath.Join(dir, "out/*"))
	require.NoError(t, err)
	require.Empty(t, left)
	write(t, filepath.Join(dir, "hopeless.yaml"), hopeless)
	r = sawhorse(t, dir, "run", "hopeless.yaml", "--seeds", "1-2", "--keep", "failed", "--report", "pages")
	require.Equal(t, 1, r.status, r.out+r.errout)
	for _, file := range []string{"run.json", "capture.pcapng", "verdicts.jsonl", "trace.jsonl"} {
		require.FileExists(t, filepath.Join(dir, "out/hopeless-s2", file))
	}
	require.Equal(t, read(t, dir, "out/hopeless-s2/capture.pcapng"), read(t, dir, "pages/hopeless-s2.pcapng"),
		"the frame numbers of the page are those of the capture beside it")
	require.Contains(t, read(t, dir, "pages/hopeless-s2.html"), "The engine starts by itself")
	require.Contains(t, read(t, dir, "pages/index.html"), `href="hopeless-s1.html"`)
}

func TestFailFastFromTheCommandLine(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "hopeless.yaml"), hopeless)
	r := sawhorse(t, dir, "run", "hopeless.yaml", "healthy", "--seeds", "1-9", "--fail-fast")
	require.Equal(t, 1, r.status, r.out+r.errout)
	require.Contains(t, r.out, "ended at the first run that did not pass: 1 of 18 were done")
}

func TestABaselineFromTheCommandLine(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "hopeless.yaml"), hopeless)
	r := sawhorse(t, dir, "run", "hopeless.yaml", "--baseline", "known.json")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, "--update-baseline writes a new one")
	r = sawhorse(t, dir, "run", "hopeless.yaml", "--baseline", "known.json", "--update-baseline")
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Contains(t, r.out, "known.json has 1 known failure now")
	r = sawhorse(t, dir, "run", "hopeless.yaml", "--baseline", "known.json")
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Contains(t, r.out, "known: the baseline has it")

	// A new failure fails.
	write(t, filepath.Join(dir, "hopeless.yaml"),
		hopeless+"  - {id: moves, says: It drives off, eventually: {that: vehicle_kmh > 5.0, within: 3s}}\n")
	r = sawhorse(t, dir, "run", "hopeless.yaml", "--baseline", "known.json")
	require.Equal(t, 1, r.status, r.out+r.errout)

	// What is mended is told.
	write(t, filepath.Join(dir, "hopeless.yaml"), strings.Replace(hopeless, "that: engine_running", "that: '!engine_running'", 1))
	r = sawhorse(t, dir, "run", "hopeless.yaml", "--baseline", "known.json")
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Contains(t, r.out, "fixed: hopeless starts passes now")
}

// A tool that does it only the second time: the run counts as passed, and is told.
func TestAFlakyRunIsTold(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "moody.profile.yaml"), `profile: moody
tasks:
  - task: health-check
    command: [sh, -c, 'test -e again || (: > again; false)']
    exit: {0: ok, other: failed}
`)
	write(t, filepath.Join(dir, "moody.yaml"), `scenario: moody
title: A tool with moods
about: It does it the second time.
car: petrel-48
duration: 20s
tasks: [{task: health-check}]
expect:
  - {id: ends, says: The check ends well, finished: {task: health-check}}
`)
	r := sawhorse(t, dir, "run", "moody.yaml", "--tool", "moody.profile.yaml", "--retry", "2", "--report", "pages", "--verdicts", "v.jsonl")
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Contains(t, r.out, "FLAKY: it passed only when it was done again")
	require.Contains(t, r.out, "attempt 1 did not pass: ends fail")
	require.Contains(t, read(t, dir, "v.jsonl"), `"flaky":true`)
	for _, file := range []string{"out/moody/verdicts.jsonl", "out/moody.try2/verdicts.jsonl", "pages/moody.html", "pages/moody.try2.html"} {
		require.FileExists(t, filepath.Join(dir, file))
	}
	require.Contains(t, read(t, dir, "pages/index.html"), "moody.try2.html")
}

func TestExplainTellsTheStory(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "hopeless.yaml"), hopeless)
	require.Equal(t, 1, sawhorse(t, dir, "run", "hopeless.yaml").status)
	r := sawhorse(t, dir, "explain", "out/hopeless")
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Contains(t, r.out, "starts: The engine starts by itself\n  FAILED")
	require.Contains(t, r.out, "eventually: {that: engine_running, within: 3s}")

	// What the run left has gone: the plan alone tells the same.
	require.NoError(t, os.Remove(filepath.Join(dir, "out/hopeless/trace.jsonl")))
	require.Equal(t, r, sawhorse(t, dir, "explain", "out/hopeless/run.json"))
	left, err := filepath.Glob(filepath.Join(dir, "out/hopeless/*"))
	require.NoError(t, err)
	require.Len(t, left, 3, "and leaves nothing")

	require.Equal(t, 0, sawhorse(t, dir, "run", "clutch-learn").status)
	r = sawhorse(t, dir, "explain", "out/clutch-learn")
	require.Contains(t, r.out, "Everything was as expected. To ask for: no-crank-before, ")
	r = sawhorse(t, dir, "explain", "out/clutch-learn", "read-before-clearing")
	require.Contains(t, r.out, "passed, told at")
	r = sawhorse(t, dir, "explain", "out/clutch-learn", "nonsense")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, "is not one of this run's")
	write(t, filepath.Join(dir, "out/clutch-learn/trace.jsonl"), "{}\n")
	r = sawhorse(t, dir, "explain", "out/clutch-learn")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, "trace.jsonl: line 1: sawhorse_trace is 0, want 1")
}

func TestSchemasArePrinted(t *testing.T) {
	for _, name := range []string{"scenario", "tool-profile", "verdicts"} {
		r := sawhorse(t, t.TempDir(), "schema", name)
		require.Equal(t, 0, r.status, r.errout)
		require.True(t, json.Valid([]byte(r.out)))
	}
}

func TestMistakesInManyRuns(t *testing.T) {
	dir := t.TempDir()
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"seeds":        {[]string{"--seeds", "9-1"}, `seeds "9-1": want numbers and ranges`},
		"both":         {[]string{"--seeds", "1-2", "--seed", "3"}, "want one of them"},
		"shape":        {[]string{"--param", "x"}, "want FAULT.PARAM=VALUE"},
		"no fault":     {[]string{"--param", "tool-cable-pulled.x=1"}, "none of the scenarios has a fault"},
		"no parameter": {[]string{"--param", "clutch-unlearned.x=1"}, `parameter "x" is not known, want none`},
		"shard":        {[]string{"--shard", "3/2"}, "want PART/PARTS"},
		"keep":         {[]string{"--keep", "some"}, "want all, failed or auto"},
		"jobs":         {[]string{"--jobs", "-1"}, "want 0 or more"},
		"retry":        {[]string{"--retry", "1"}, "only in wall time"},
		"no baseline":  {[]string{"--update-baseline"}, "want --baseline FILE"},
		"one capture":  {[]string{"--seeds", "1-2", "--capture", "x.pcapng"}, "names one file"},
		"shared bus":   {[]string{"--bus", "unix:b.sock", "--jobs", "2"}, "one after the other"},
	} {
		t.Run(name, func(t *testing.T) {
			r := sawhorse(t, dir, append([]string{"run", "clutch-learn"}, c.args...)...)
			require.Equal(t, 2, r.status, r.out+r.errout)
			require.Contains(t, r.errout, c.want)
			require.Empty(t, r.out)
		})
	}
	files, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, files)
}
