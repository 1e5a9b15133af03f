package main_test

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const twoFaults = `scenario: two-faults
title: Two faults with parameters
about: Both from the start.
car: petrel-48
duration: 2s
faults:
  - {fault: air-mass-dead}
  - {fault: bus-flooded, params: {load: 10}}
driver: [{at: 0s, key: on}]
expect:
  - {id: powered, says: The battery is there, always: battery_v > 5}
`

// A file says what many flags would: combinations, sets, and with both every set with
// every combination. A scenario that no set fits runs without one.
func TestParametersFromAFile(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "two-faults.yaml"), twoFaults)
	write(t, filepath.Join(dir, "one-fault.yaml"), strings.NewReplacer("two-faults", "one-fault", "  - {fault: bus-flooded, params: {load: 10}}\n", "").Replace(twoFaults))
	write(t, filepath.Join(dir, "params.yaml"), `each:
  air-mass-dead: {whole-plug: [true, false]}
sets:
  - bus-flooded: {load: 20}
  - bus-flooded: {load: 40}
`)
	r := sawhorse(t, dir, "run", "two-faults.yaml", "one-fault.yaml", "--params", "params.yaml", "--seeds", "1-2", "--verdicts", "v.jsonl")
	require.Zero(t, r.status, r.out+r.errout)
	var want []string
	for _, load := range []string{"20", "40"} {
		for _, plug := range []string{"true", "false"} {
			for _, seed := range []string{"1", "2"} {
				want = append(want, "two-faults-s"+seed+"-bus-flooded.load="+load+"-air-mass-dead.whole-plug="+plug)
			}
		}
	}
	for _, plug := range []string{"true", "false"} {
		for _, seed := range []string{"1", "2"} {
			want = append(want, "one-fault-s"+seed+"-air-mass-dead.whole-plug="+plug)
		}
	}
	require.Equal(t, want, runsOf(t, read(t, dir, "v.jsonl")))
	require.Contains(t, read(t, dir, "v.jsonl"), `"params":["bus-flooded.load=40","air-mass-dead.whole-plug=true"]`)

	for text, want := range map[string]string{
		"":                                     "params.yaml",
		"eech: {}":                             "params.yaml:1:1: ",
		"each:\n  gremlins: {a: [1]}":          "params.yaml:2:14: each.gremlins: none of the scenarios has a fault gremlins",
		"each:\n  bus-flooded: {lod: [1]}":     "params.yaml:2:23: each.bus-flooded.lod[0]: fault bus-flooded: parameter \"lod\" is not known, want id, bytes, load, burst; did you mean load?",
		"sets:\n  - bus-flooded: {load: much}": "params.yaml:2:25: sets[0].bus-flooded.load: fault bus-flooded: parameter load is much, want 0.1..100 %",
		"sets:\n  - {}":                        "params.yaml:2:5: sets[0]: an empty set",
		"sets:\n  - intake-air-open: {}":       "an empty set",
		"each:\n  bus-flooded: {load: []}":     "no values, want a list of some",
		"each:\n  bus-flooded: {load: [1]}\nsets:\n  - bus-flooded: {load: 2}":                       "bus-flooded.load is given twice",
		"sets:\n  - {bus-flooded: {load: 2}, air-mass-plug-off: {}, bytes-overwritten: {bytes: FF}}": "none of the scenarios has all of the faults of this set",
	} {
		write(t, filepath.Join(dir, "params.yaml"), text+"\n")
		r := sawhorse(t, dir, "run", "two-faults.yaml", "--params", "params.yaml")
		require.Equal(t, 2, r.status, text+r.out)
		require.Contains(t, r.errout, want, text)
		require.Empty(t, r.out)
	}
}

// What looks like a number is taken as it is written: 0x110 and 7.0E2 are not the
// identifiers 272 and 700.
func TestIdentifiersFromAFileOfParameters(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "ids.yaml"), `scenario: ids
title: Identifiers
about: As they are written.
car: petrel-48
duration: 1s
faults:
  - {fault: frames-lost, params: {ids: 7E8}}
expect:
  - {id: a, says: Never, never: engine_rpm > 100}
`)
	for value, want := range map[string]string{
		"7E8": "", "110": "", "0x110": `identifier "0x110": want hexadecimal such as 7E8`, "7.0E2": `identifier "7.0E2": want hexadecimal such as 7E8`,
	} {
		write(t, filepath.Join(dir, "params.yaml"), "each: {frames-lost: {ids: ["+value+"]}}\n")
		r := sawhorse(t, dir, "run", "ids.yaml", "--params", "params.yaml")
		if want == "" {
			require.Equal(t, 0, r.status, r.out+r.errout)
			require.Contains(t, read(t, dir, "out/ids-frames-lost.ids="+value+"/run.json"), `"value": "`+value+`"`)
			continue
		}
		require.Equal(t, 2, r.status, value)
		require.Contains(t, r.errout, want)
	}
}
