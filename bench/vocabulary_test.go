package bench

import (
	"fmt"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/task"
	"sawhorse/cmd/demotool/tester"
	"sawhorse/scenarios"
)

// The demo's tool keeps a list of its own, as it is an independent peer: it must do
// what scenarios can ask for.
func TestTheDemosToolHasTheTasks(t *testing.T) {
	require.Equal(t, task.Names(), slices.Sorted(slices.Values(tester.Tasks())))
	for name, words := range map[string][]string{"position": tester.Positions, "output": tester.Outputs} {
		a, ok := task.FindArgument(name)
		require.True(t, ok)
		require.Equal(t, a.Words, words)
	}
}

// An identifier is read as it is written: 7E8 is not 700 million, which the core schema
// makes of it (YAML 1.2.2, 10.3.2), and a bare 110 is a number and so refused rather than
// guessed at.
func TestIdentifiersOfAScenarioAreHexadecimal(t *testing.T) {
	const text = `scenario: ids
title: Identifiers
about: As they are written.
car: petrel-48
duration: 5s
faults:
  - {fault: frames-lost, params: {ids: %s}, from: 1s}
expect:
  - {id: a, says: Never, never: engine_rpm > 100}
`
	for given, want := range map[string]string{"7E8": "7E8", "7e2": "7e2", `"110"`: "110", "300-3FF": "300-3FF"} {
		sc, err := scenarios.Parse("ids.yaml", []byte(fmt.Sprintf(text, given)), Vocabulary())
		require.NoError(t, err, given)
		require.Equal(t, want, sc.Faults[0].Params["ids"], given)
	}
	for _, given := range []string{"110", "0x110", "7.0E2"} {
		_, err := scenarios.Parse("ids.yaml", []byte(fmt.Sprintf(text, given)), Vocabulary())
		require.ErrorContains(t, err, "ids.yaml:7:40: a number, expected a text", given)
	}
}

// A drive of the catalogue goes for cars outside the program as for those in it, and not
// for one without an engine.
func TestDrivesOfCarsOutsideTheProgram(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "outside-drive")
	auklet, err := car.BuiltIn("auklet-18")
	require.NoError(t, err)
	require.NoError(t, car.Export(auklet, dir))
	_, err = car.Use(dir)
	require.NoError(t, err)
	_, err = car.Use("../deploy/examples/siskin2")
	require.NoError(t, err)
	const text = `scenario: drive
title: A drive
about: Of the catalogue.
car: %s
duration: 60s
driver:
  - {at: 1s, drive: idle}
expect:
  - {id: a, says: Never, never: engine_rpm > 1e4}
`
	sc, err := scenarios.Parse("drive.yaml", []byte(fmt.Sprintf(text, "outside-drive")), Vocabulary())
	require.NoError(t, err)
	require.NotEmpty(t, sc.Driver[0].Drive)
	_, err = scenarios.Parse("drive.yaml", []byte(fmt.Sprintf(text, "siskin-2")), Vocabulary())
	require.ErrorContains(t, err, "drive.yaml:7:")
}
