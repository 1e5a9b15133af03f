package main_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
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
	r = sawhorse(t, there, "explain", "run.json", "--cars", "garage")
	require.Equal(t, 0, r.status, r.out+r.errout)
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

// What the author of a tool must know of a unit stands in cars: locks of single
// identifiers and routines, the rule of the keys, routines with what they refuse and how
// they end; and a car's signals are those that it has.
func TestCarsTellsWhatAToolsAuthorMustKnow(t *testing.T) {
	dir := t.TempDir()
	r := sawhorse(t, dir, "cars", "petrel-48")
	require.Equal(t, 0, r.status, r.errout)
	for _, line := range []string{
		`2E +write data +programming, extended +level 1 for F190 F198`,
		`31 +routines .*level 1 for 0220; level 2 for FF00 FF01`,
		`F190 +VIN +17 +any session +written in extended, programming, lock 1; refused: 22 the engine runs`,
		`level 1 +01 +02 +48E0C0DE +3 +10s`,
		`0210 +clutch-position-learn, in extended`,
		`refused: 22 the key is not on; 83 the engine runs; 22 the clutch pedal is not fully down`,
		`ends with: 01 key turned; 02 engine turns; 03 pedal released`,
		`C0035 +31 +wheel speed sensor front left`,
		`Keys of service 27`,
		`clutch_slip_rpm`,
	} {
		require.Regexp(t, line, r.out)
	}
	for _, foreign := range []string{"turbine_rpm", "selector", "lockup_pct", "fluid_c"} {
		require.NotContains(t, r.out, foreign)
	}
	r = sawhorse(t, dir, "cars", "petrel-48", "brake")
	require.Equal(t, 0, r.status, r.errout)
	require.Contains(t, r.out, "steering-zero-learn")
	require.NotContains(t, r.out, "clutch-position-learn")
	r = sawhorse(t, dir, "cars", "petrel-48", "gearbox")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, `the car petrel-48 has no unit "gearbox", want one of engine, brake, body`)
}

// A car is written as a folder of another name, which is a car then; nothing is
// overwritten.
func TestACarIsExported(t *testing.T) {
	dir := t.TempDir()
	r := sawhorse(t, dir, "cars", "--export", "petrel-48", "wren-1")
	require.Equal(t, 0, r.status, r.errout)
	r = sawhorse(t, dir, "cars", "--cars", "wren-1")
	require.Equal(t, 0, r.status, r.errout)
	require.Contains(t, r.out, "wren-1  Petrel 48")
	write(t, filepath.Join(dir, "wren-1", "car.yaml"), "mine\n")
	for _, c := range []struct{ args, want string }{
		{"--export petrel-48 wren-1", "wren-1 is there already, want a folder that is not"},
		{"--export petrel-48", "no folder, want the one to write"},
		{"--export petrel-48 auklet-18", `"auklet-18" is the name of a built-in car`},
		{"--export petrel-48 Wren", `"Wren" is no name for a car`},
		{"--export wren wren-2", `car "wren" is not known`},
	} {
		r = sawhorse(t, dir, append([]string{"cars"}, strings.Fields(c.args)...)...)
		require.Equal(t, 2, r.status, c.args)
		require.Contains(t, r.errout, c.want)
	}
	require.Equal(t, "mine\n", read(t, dir, "wren-1/car.yaml"))
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, entries, 1, "nothing half written is left")
}

// The schemas of a car's files take those of all cars, by a validator that is not ours.
func TestSchemasOfACarsFiles(t *testing.T) {
	dir := t.TempDir()
	check := func(schema string, files ...string) {
		r := sawhorse(t, dir, "schema", schema)
		require.Equal(t, 0, r.status, r.errout)
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(r.out))
		require.NoError(t, err)
		c := jsonschema.NewCompiler()
		require.NoError(t, c.AddResource("s.json", doc))
		s, err := c.Compile("s.json")
		require.NoError(t, err)
		require.NotEmpty(t, files)
		for _, f := range files {
			data, err := os.ReadFile(f)
			require.NoError(t, err)
			for _, wrong := range []bool{false, true} {
				if wrong {
					data = append([]byte("wings: 2\n"), data...)
				}
				j, err := yaml.YAMLToJSON(data)
				require.NoError(t, err)
				v, err := jsonschema.UnmarshalJSON(bytes.NewReader(j))
				require.NoError(t, err)
				if err := s.Validate(v); wrong {
					require.ErrorContains(t, err, "wings", f)
				} else {
					require.NoError(t, err, f)
				}
			}
		}
	}
	all := func(name string) []string {
		files, err := filepath.Glob("../../bench/car/*/" + name)
		require.NoError(t, err)
		more, err := filepath.Glob("../../deploy/examples/*/" + name)
		require.NoError(t, err)
		return append(files, more...)
	}
	check("car", all("car.yaml")...)
	check("circuits", all("circuits.yaml")...)
	check("unit", all("ecu-*.yaml")...)
	check("calibration", all("calibration.yaml")...)
	check("shift-points", all("shift-points.yaml")...)
}

// The example of a car of one's own: the demo's tool finds the code of a circuit that the
// catalogue does not know by itself.
func TestTheExampleOfACarOfUnits(t *testing.T) {
	examples, err := filepath.Abs("../../deploy/examples")
	require.NoError(t, err)
	dir := t.TempDir()
	r := sawhorse(t, dir, "run", filepath.Join(examples, "cabin.yaml"), "--cars", filepath.Join(examples, "siskin2"))
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Regexp(t, `passed +finds-it`, r.out)
	write(t, filepath.Join(dir, "sound.yaml"), strings.Replace(strings.Replace(read(t, examples, "cabin.yaml"), "scenario: cabin", "scenario: sound", 1),
		"faults:\n  - {fault: circuit-open, params: {circuit: cabin-sensor}, from: 5s}\n", "", 1))
	r = sawhorse(t, dir, "run", "sound.yaml", "--cars", filepath.Join(examples, "siskin2"))
	require.Equal(t, 1, r.status, r.out+r.errout)
	require.Regexp(t, `FAILED +finds-it`, r.out)
}
