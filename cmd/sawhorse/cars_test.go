package main_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// ownCar puts a car under another name into a folder, with a file changed.
func ownCar(t *testing.T, dir, name, file, old, new string) {
	t.Helper()
	from := filepath.Join("..", "..", "bench", "car", "auklet18")
	entries, err := os.ReadDir(from)
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(dir, 0o755))
	for _, e := range entries {
		data, err := os.ReadFile(filepath.Join(from, e.Name()))
		require.NoError(t, err)
		text := strings.Replace(string(data), "car: auklet-18", "car: "+name, 1)
		if e.Name() == file {
			require.Contains(t, text, old)
			text = strings.Replace(text, old, new, 1)
		}
		write(t, filepath.Join(dir, e.Name()), text)
	}
}

// A car can be a folder outside the program: listed, checked, run, and repeated as it
// was.
func TestACarOutsideTheProgram(t *testing.T) {
	dir := t.TempDir()
	ownCar(t, filepath.Join(dir, "my-cars", "puddle"), "puddle-12", "calibration.yaml", "[80, 750]]", "[80, 820]]")
	r := sawhorse(t, dir, "cars", "--cars", "my-cars")
	require.Equal(t, 0, r.status, r.errout)
	require.Contains(t, r.out, "puddle-12  Auklet 18, 1.8 litre")
	require.Contains(t, r.out, "petrel-48  Petrel 48")

	write(t, filepath.Join(dir, "idle.yaml"), `scenario: idle
title: It idles faster
about: A car of somebody's own, whose idle is 820.
car: puddle-12
duration: 40s
driver:
  - {at: 0s, key: on}
  - {at: 2s, key: start}
  - {when: engine_running, after: 300ms, key: on}
tasks:
  - {task: identify, at: 15s}
expect:
  - {id: idles, says: It idles at 820, from: 12s, always: engine_rpm > 780 && engine_rpm < 860}
  - {id: ends, says: The tool finds it, finished: {task: identify}}
`)
	r = sawhorse(t, dir, "run", "idle.yaml", "--cars", "my-cars")
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Contains(t, read(t, dir, "out/idle/run.json"), `"folder": "my-cars/puddle"`)
	first := read(t, dir, "out/idle/capture.pcapng")
	r = sawhorse(t, dir, "run", "--again", "out/idle/run.json")
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Equal(t, first, read(t, dir, "out/idle/capture.pcapng"), "the same, byte for byte")

	// Elsewhere the plan and the car's folder are enough.
	there := t.TempDir()
	require.NoError(t, os.CopyFS(filepath.Join(there, "garage"), os.DirFS(filepath.Join(dir, "my-cars"))))
	write(t, filepath.Join(there, "run.json"), read(t, dir, "out/idle/run.json"))
	r = sawhorse(t, there, "run", "--again", "run.json")
	require.Equal(t, 2, r.status, r.out+r.errout)
	require.Contains(t, r.errout, "the car puddle-12 lay in my-cars/puddle")
	require.Contains(t, r.errout, "want its folder with --cars")
	r = sawhorse(t, there, "run", "--again", "run.json", "--cars", "garage")
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Equal(t, first, read(t, there, "capture.pcapng"), "the same, byte for byte")
	write(t, filepath.Join(there, "garage", "puddle", "shift-points.yaml"), read(t, there, "garage/puddle/shift-points.yaml")+"# once more\n")
	r = sawhorse(t, there, "run", "--again", "run.json", "--cars", "garage")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, "garage/puddle/shift-points.yaml: the file has changed since the run was planned")

	r = sawhorse(t, dir, "run", "idle.yaml")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, `idle.yaml:4:6: "puddle-12", expected one of auklet-18, petrel-48`)

	write(t, filepath.Join(dir, "my-cars", "puddle", "shift-points.yaml"), "ratios: [1]\n")
	r = sawhorse(t, dir, "run", "--again", "out/idle/run.json")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, "shift-points.yaml: the file has changed since the run was planned")
}

// A mistake in any of a car's files is told with its place.
func TestAMistakeInACarOfOnesOwn(t *testing.T) {
	for _, c := range []struct{ file, old, new, want string }{
		{"car.yaml", "cylinders: 4", "cylinders: 40", "engine.cylinders: 40, want 2..16"},
		{"circuits.yaml", "drives: shift_b", "drives: shift_c", ""},
		{"calibration.yaml", "value: shift_adapt", "value: shift_adopt", `"shift_adopt" is no value that the program of the unit gearbox keeps (did you mean shift_adapt?), want one of shift_adapt`},
		{"calibration.yaml", "banks: 1", "banks: 4", "banks: 4, want 1..2"},
		{"shift-points.yaml", "kickdown_pct: 95", "kickdown_pct: 9", "kickdown_pct: 9, want 50..100 %"},
		{"ecu-gearbox.yaml", "signal: shift_time_s", "signal: shift_time", ""},
		{"ecu-gearbox.yaml", "node: Gearbox", "node: Box", ""},
		{"ecu-body.yaml", "bus: body", "bus: roof", "network.bus: \"roof\" is no bus of the car puddle-12"},
		{"auklet-18-drive.dbc", "SG_ Fluid : 0|8@1+", "SG_ Fluid : 0|80@1+", ""},
	} {
		dir := t.TempDir()
		ownCar(t, filepath.Join(dir, "puddle"), "puddle-12", c.file, c.old, c.new)
		r := sawhorse(t, dir, "cars", "--cars", "puddle", "puddle-12")
		require.Equal(t, 2, r.status, "%s: %s", c.file, r.out)
		require.Contains(t, r.errout, c.want)
		require.Regexp(t, "puddle/"+c.file+`:\d+:\d+: `, r.errout)
	}
}
