package main_test

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A profile is tried on a stand-in car: what reads what is shown, and a path that does
// not fit is told with the piece of output, and as no crash.
func TestToolTry(t *testing.T) {
	dir := t.TempDir()
	r := sawhorse(t, dir, "tool", "--try", "demotool", "--task", "read-codes,drive-output")
	require.Equal(t, 0, r.status, r.errout)
	require.Regexp(t, `(?m)^read-codes: exit status 0 \(ok\)$`, r.out)
	require.Regexp(t, `ecus\.stored\.code \(line \d+\) +\$\['ecus'\]\[0\]\['stored'\]\[0\]\['code'\] +"P0113"`, r.out)
	require.Regexp(t, `ecus\.live\.each \(line \d+\) +nothing`, r.out, "what the profile has and the output has not")
	require.Regexp(t, `output\.outcome \(line \d+\) +\$\['output'\]\['outcome'\] +"done"`, r.out)

	write(t, filepath.Join(dir, "odd.yaml"), `profile: odd
tasks:
  - task: identify
    command: [/bin/echo, '{{"lamps": [true, false], "vin": "TESTCAR0123456789"}}']
    output: {json: {vin: $.vin, mil: '$.lamps[*]'}}
`)
	r = sawhorse(t, dir, "tool", "--try", "odd.yaml")
	require.Equal(t, 1, r.status, r.out)
	require.Contains(t, r.out, "the profile does not fit what it printed")
	require.Contains(t, r.out, "found 2 values for $.lamps[*], expected one")
	require.Regexp(t, `vin \(line 5\) +\$\['vin'\] +"TESTCAR0123456789"`, r.out)
	require.NotContains(t, r.out, "crash")

	write(t, filepath.Join(dir, "vin.yaml"), `scenario: vin
title: Ask for the number
about: The profile does not fit.
car: petrel-48
duration: 10s
driver: [{at: 0s, key: on}]
tasks: [{task: identify, at: 1s}]
expect: [{id: ends, says: It ends, finished: {task: identify}}]
`)
	r = sawhorse(t, dir, "run", "vin.yaml", "--tool", "odd.yaml")
	require.Equal(t, 2, r.status, "a mistake in what was asked, none of the tool: %s", r.out)
	require.Regexp(t, `the profile does not fit what\s+the\s+tool\s+printed`, r.out)

	write(t, filepath.Join(dir, "lines.yaml"), `profile: lines
tasks:
  - task: identify
    command: [/usr/bin/printf, 'number TESTCAR0123456789\nall is well\n']
    output: {lines: [{match: '^number (?P<vin>\S+)'}]}
`)
	r = sawhorse(t, dir, "tool", "--try", "lines.yaml")
	require.Equal(t, 0, r.status, r.out)
	require.Regexp(t, `vin \(line 5\) +line 1 +"TESTCAR0123456789"`, r.out)
	require.Regexp(t, `read by no rule +line 2 +"all is well"`, r.out)

	r = sawhorse(t, dir, "tool", "--try", "external")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, "prints nothing that could be read")
	r = sawhorse(t, dir, "tool", "--try", "odd.yaml", "--task", "learn")
	require.Contains(t, r.errout, "the profile has no such task")
	r = sawhorse(t, dir, "tool")
	require.Contains(t, r.errout, "want --try PROFILE")
}
