package car

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// copied is a built-in car's folder outside the program, under another name.
func copied(t *testing.T, parent, folder, name string) string {
	t.Helper()
	dir := filepath.Join(parent, name)
	require.NoError(t, os.MkdirAll(dir, 0o755))
	found, err := fs.Glob(files, folder+"/*")
	require.NoError(t, err)
	for _, f := range found {
		data, err := fs.ReadFile(files, f)
		require.NoError(t, err)
		text := strings.Replace(string(data), "car: auklet-18", "car: "+name, 1)
		require.NoError(t, os.WriteFile(filepath.Join(dir, filepath.Base(f)), []byte(text), 0o644))
	}
	return dir
}

func TestCarsOfAFolder(t *testing.T) {
	parent := t.TempDir()
	one, two := copied(t, parent, "auklet18", "outside-one"), copied(t, parent, "auklet18", "outside-two")
	require.NoError(t, os.Mkdir(filepath.Join(parent, "no-car"), 0o755))
	found, err := Use(parent)
	require.NoError(t, err)
	require.Len(t, found, 2)
	assert.Contains(t, Names(), "outside-one")
	s, err := Find("outside-two")
	require.NoError(t, err)
	assert.Equal(t, two, s.Folder)
	for _, f := range s.Files() {
		_, err := os.Stat(filepath.Join(two, f))
		assert.NoError(t, err)
	}
	again, err := Use(one)
	require.NoError(t, err, "read anew")
	s, err = Find("outside-one")
	require.NoError(t, err)
	assert.Same(t, again[0], s)
	_, err = BuiltIn("outside-one")
	assert.Error(t, err)

	elsewhere := copied(t, t.TempDir(), "auklet18", "outside-one")
	_, err = Use(elsewhere)
	assert.ErrorContains(t, err, elsewhere+"/car.yaml:")
	assert.ErrorContains(t, err, `car: "outside-one" is the name of the car in `+one+", want another")
}

func TestABadFolderOfCarsIsRefused(t *testing.T) {
	parent := t.TempDir()
	_, err := Use(filepath.Join(parent, "nowhere"))
	assert.ErrorIs(t, err, fs.ErrNotExist)
	_, err = Use(parent)
	assert.ErrorContains(t, err, "neither it nor a folder in it has a car.yaml")

	taken := copied(t, parent, "petrel48", "petrel-again")
	_, err = Use(taken)
	assert.ErrorContains(t, err, `car: "petrel-48" is built in, want another name`)
	assert.Regexp(t, `car\.yaml:\d+:\d+: `, err.Error())

	bad := copied(t, t.TempDir(), "auklet18", "bad-one")
	edit := func(file, old, new string) {
		data, err := os.ReadFile(filepath.Join(bad, file))
		require.NoError(t, err)
		require.Contains(t, string(data), old)
		require.NoError(t, os.WriteFile(filepath.Join(bad, file), []byte(strings.Replace(string(data), old, new, 1)), 0o644))
	}
	edit("circuits.yaml", "measures: turbine_rpm", "measures: turbine")
	_, err = Use(bad)
	assert.ErrorContains(t, err, bad+"/circuits.yaml:")
	assert.ErrorContains(t, err, `"turbine" is no signal of the car`)
	edit("circuits.yaml", "measures: turbine", "measures: turbine_rpm")
	edit("car.yaml", "ecu-cluster.yaml]", "../../cluster.yaml]")
	_, err = Use(bad)
	assert.ErrorContains(t, err, `ecu_files[5]: "../../cluster.yaml"`)
	require.NoError(t, os.Truncate(filepath.Join(bad, "circuits.yaml"), mostBytes+1))
	_, err = Use(bad)
	assert.ErrorContains(t, err, "circuits.yaml: 4194305 bytes, at most 4194304")
}
