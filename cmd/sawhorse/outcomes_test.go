package main_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// One task for a tool that is a shell command. A second expectation is about the car, so
// that something passes whatever the tool does.
const oneTask = `scenario: one-task
title: One task
about: A tool does it, or not.
car: petrel-48
duration: 60s
driver: [{at: 0s, key: on}]
tasks: [{task: health-check, at: 100ms, limit: 2s}]
expect:
  - {id: ends, says: The check ends well, finished: {task: health-check}}
  - {id: powered, says: The battery is there, always: battery_v > 5}
`

// shellTool is a tool that is a script, and its profile.
func shellTool(t *testing.T, dir, text string) {
	t.Helper()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "tool.sh"), []byte(text+"\n"), 0o700))
	write(t, filepath.Join(dir, "shell.profile.yaml"),
		"profile: shell\ntasks:\n  - task: health-check\n    command: [./tool.sh]\n    output: {json: {vin: $.vin}}\n    exit: {0: ok, other: failed}\n")
}

// What a run comes to is told apart everywhere: the exit status, the table, the lines for
// machines, JUnit XML, the page and the story.
func TestOutcomesAreToldApart(t *testing.T) {
	if _, err := exec.LookPath("sh"); err != nil {
		t.Skip("no shell")
	}
	const nothing = `echo '{}'` // a number that no unit was asked for would be held against it
	for name, c := range map[string]struct {
		command  string
		scenario string
		prefix   string // of the command line: a shell's words
		status   int
		table    string
		run      string // outcome in the lines
		verdict  string
		cause    string
		junit    string
		page     string
		story    string
	}{
		"passes": {command: nothing, status: 0, table: "passed ", run: "passed", verdict: "pass", junit: "<system-out>", page: "passed", story: "Everything was as expected"},
		"says that it failed": {command: nothing + "; exit 4", status: 1, table: "FAILED ", run: "failed", verdict: "fail", cause: "broken",
			junit: `<failure message="ended as &#34;failed&#34;, wanted ok" type="broken">`, page: "failed", story: "FAILED, told at"},
		"is killed by a signal": {command: "kill -SEGV $$", status: 3, table: "CRASHED ", run: "hung-or-crashed", verdict: "fail", cause: "crashed",
			junit: `type="crashed">`, page: "failed (crashed)", story: "the tool crashed"},
		"ends with a status and no word": {command: "exit 9", status: 3, table: "CRASHED ", run: "hung-or-crashed", verdict: "fail", cause: "crashed",
			junit: `type="crashed">`, page: "failed (crashed)", story: "the tool crashed"},
		"hangs, whatever it is told": {command: `trap "" TERM INT HUP; while :; do sleep 1; done`, status: 3, table: "HUNG ", run: "hung-or-crashed", verdict: "fail", cause: "hung",
			junit: `<failure message="the tool had not ended after`, page: "failed (hung)", story: "the tool hung"},
		"has no time to show": {command: "sleep 600", scenario: strings.Replace(strings.Replace(oneTask, "60s", "1s", 1), "limit: 2s", "limit: 30s", 1),
			status: 4, table: "UNDECIDED ", run: "undecided", verdict: "undecided", junit: `type="undecided">`, page: "undecided", story: "UNDECIDED, told at"},
		// Traffic that fills a file of 200 KiB; what else a run leaves is smaller.
		"has a bench whose disk is full": {command: "sleep 600", prefix: "ulimit -f 200;",
			scenario: strings.NewReplacer("limit: 2s", "limit: 30s", "tasks:", "faults:\n  - {fault: bus-flooded, params: {load: 60}}\ntasks:").Replace(oneTask),
			status:   2, table: "NOT RUN ", run: "could-not-run", verdict: "ours", junit: `<error message="`, story: "NOT RUN, told at"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			if c.scenario == "" {
				c.scenario = oneTask
			}
			write(t, filepath.Join(dir, "one-task.yaml"), c.scenario)
			shellTool(t, dir, "#!/bin/sh\n"+c.command)
			cmd := exec.Command("bash", "-c", c.prefix+` exec "$0" run one-task.yaml --tool shell.profile.yaml --junit j.xml --verdicts v.jsonl --report pages`,
				filepath.Join(programs, "sawhorse"))
			cmd.Dir = dir
			out, err := cmd.CombinedOutput()
			require.Equal(t, c.status, cmd.ProcessState.ExitCode(), "%v: %s", err, out)
			require.Contains(t, string(out), "  "+c.table, "the table")

			lines := strings.Split(read(t, dir, "v.jsonl"), "\n")
			var run, verdict struct{ Outcome, Cause, Expectation, Reason string }
			require.NoError(t, json.Unmarshal([]byte(lines[0]), &run))
			require.NoError(t, json.Unmarshal([]byte(lines[1]), &verdict))
			require.Equal(t, c.run, run.Outcome)
			require.Equal(t, [3]string{"ends", c.verdict, c.cause}, [3]string{verdict.Expectation, verdict.Outcome, verdict.Cause}, verdict.Reason)
			require.NotEmpty(t, verdict.Reason)

			require.Contains(t, read(t, dir, "j.xml"), c.junit)
			if c.page != "" {
				require.Contains(t, read(t, dir, "pages/one-task.html"), `<span class="word">`+c.page+"</span>")
			} else { // a full disk has no room for a page with the recording beside it
				require.Contains(t, read(t, dir, "pages/index.html"), "could not be run to its end")
				require.Contains(t, string(out), "capture.pcapng.part", "what there is of the recording")
			}
			story := sawhorse(t, dir, "explain", "out/one-task")
			require.Zero(t, story.status, story.errout)
			require.Contains(t, story.out, c.story)
		})
	}
}

// A program that is there and cannot be started, as its interpreter is not: nothing of
// the tool has run, so nothing is held against it.
func TestAToolThatCannotBeStartedIsNotJudged(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "one-task.yaml"), oneTask)
	shellTool(t, dir, "#!/nowhere/interpreter")
	r := sawhorse(t, dir, "run", "one-task.yaml", "--tool", "shell.profile.yaml", "--junit", "j.xml")
	require.Equal(t, 2, r.status, r.out+r.errout)
	require.Contains(t, r.out, "  NOT RUN  ends")
	require.Contains(t, r.out, "could not start")
	require.Contains(t, read(t, dir, "j.xml"), `type="ours"`)
}
