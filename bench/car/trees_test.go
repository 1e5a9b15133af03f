package car

import (
	"flag"
	"io/fs"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car/strict"
)

var update = flag.Bool("update", false, "write generated files anew")

// What parsing the cars' files gives is made beforehand: `go generate ./bench/car`.
func TestTreesAreCurrent(t *testing.T) {
	names, err := fs.Glob(files, "*/*.yaml")
	require.NoError(t, err)
	want, err := strict.Pack(files, names)
	require.NoError(t, err)
	if *update {
		require.NoError(t, os.WriteFile("trees.bin", want, 0o644))
		return
	}
	assert.True(t, string(want) == trees, "trees.bin is not that of the files, make it anew: go generate ./bench/car")
}

// A car is the same by either way.
func TestParsedCarsAreThoseOfTheTrees(t *testing.T) {
	require.GreaterOrEqual(t, len(cars()), 2)
	for _, c := range cars() {
		parsed, err := Load(files, c.dir)
		require.NoError(t, err)
		made, err := Load(builtIn(), c.dir)
		require.NoError(t, err)
		assert.Equal(t, parsed.Name, c.name)
		parsed.Dir, made.Dir = nil, nil
		assert.Equal(t, parsed, made)
	}
}
