package format_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/car"
	"sawhorse/bench/format"
	"sawhorse/bench/plan"
	"sawhorse/bench/report"
	"sawhorse/bench/run"
	"sawhorse/bench/tool"
	"sawhorse/scenarios"
)

// loaders load a file of each kind, as a person's command does. The first file is one
// that an earlier version of the program read or wrote; it is never changed.
var loaders = []struct {
	kind format.Kind
	file string
	load func(path string) error
}{
	{format.Scenario, "everything.yaml", func(p string) error {
		_, err := scenarios.Load(p, bench.Vocabulary())
		return err
	}},
	{format.Faults, "faults.yaml", func(p string) error {
		_, err := scenarios.LoadFaults(p, bench.Vocabulary().Faults(), nil)
		return err
	}},
	{format.Profile, "tool.profile.yaml", func(p string) error {
		_, err := tool.Load(p)
		return err
	}},
	{format.Profile, "external.profile.yaml", func(p string) error {
		_, err := tool.Load(p)
		return err
	}},
	{format.Car, "car/car.yaml", func(p string) error {
		_, err := car.Load(os.DirFS(filepath.Dir(filepath.Dir(p))), filepath.Base(filepath.Dir(p)))
		return err
	}},
	{format.Plan, "run.json", func(p string) error {
		read, err := plan.Read(p)
		if err != nil {
			return err
		}
		_, err = run.Scenario(read)
		if err != nil {
			return err
		}
		_, err = tool.Parse("tool", strings.NewReader(read.Tool.Text))
		return err
	}},
	{format.Baseline, "baseline.json", func(p string) error {
		data, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		_, err = report.ReadBaseline(bytes.NewReader(data))
		return err
	}},
}

// Files of the first version go on to load, whatever the formats have become.
func TestFilesOfTheFirstVersionLoad(t *testing.T) {
	for _, l := range loaders {
		require.NoError(t, l.load(filepath.Join("testdata", "1", l.file)), l.file)
	}
}

// withVersion is a copy of a file's folder in which the file has another version, and
// something besides that nobody knows.
func withVersion(t *testing.T, k format.Kind, file, version string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "files")
	from := filepath.Join("testdata", "1", filepath.Dir(file))
	require.NoError(t, os.CopyFS(dir, os.DirFS(from)))
	path := filepath.Join(dir, filepath.Base(file))
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	if filepath.Ext(file) == ".json" {
		old := `"` + k.Key + `": 1,`
		require.Contains(t, string(text), old)
		text = []byte(strings.Replace(string(text), old, `"`+k.Key+`": `+version+`, "of_a_later_year": {},`, 1))
	} else {
		text = append([]byte("# A comment.\n"+k.Key+": "+version+"\nof_a_later_year: {}\n"), text...)
	}
	require.NoError(t, os.WriteFile(path, text, 0o644))
	return path
}

// A file of a newer version is refused for that alone, at its place, with what to do.
func TestNewerFilesAreRefused(t *testing.T) {
	for _, l := range loaders {
		err := l.load(withVersion(t, l.kind, l.file, "2"))
		require.ErrorContains(t, err, l.kind.Key+" 2 of a "+l.kind.Name+" is newer than this program, expected at most 1: take a newer program, or "+l.kind.Else, l.file)
		require.NotContains(t, err.Error(), "of_a_later_year", "%s: what comes with the version is not its reader's mistake", l.file)
		if l.kind.Name != format.Baseline.Name { // whose file the command names
			require.ErrorContains(t, err, filepath.Base(l.file)+":2:", l.file)
		}
	}
}

func TestBrokenVersionsAreRefused(t *testing.T) {
	for _, l := range loaders {
		for _, version := range []string{"0", "-1", "99999999999999999999"} {
			require.ErrorContains(t, l.load(withVersion(t, l.kind, l.file, version)), l.kind.Key, "%s %s", l.file, version)
		}
		require.Error(t, l.load(withVersion(t, l.kind, l.file, `"one"`)), l.file)
	}
}

// The version that the program knows may stand in the file.
func TestTheVersionMayBeSaid(t *testing.T) {
	for _, l := range loaders {
		path := withVersion(t, l.kind, l.file, "1")
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		text = bytes.Replace(bytes.Replace(text, []byte("of_a_later_year: {}\n"), nil, 1), []byte(` "of_a_later_year": {},`), nil, 1)
		require.NoError(t, os.WriteFile(path, text, 0o644))
		require.NoError(t, l.load(path), l.file)
	}
}

// An error of JSON has its place: line and column of the offset that the standard
// library gives.
func TestPlacesInJSON(t *testing.T) {
	_, err := plan.Parse(strings.NewReader("{\n  \"sawhorse_run\": 1,\n  \"seed\": x\n}"))
	require.Error(t, err)
	require.Equal(t, ":3:12", format.Place([]byte("{\n  \"sawhorse_run\": 1,\n  \"seed\": x\n}"), err))
}
