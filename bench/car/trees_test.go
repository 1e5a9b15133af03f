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
	for _, dir := range folders() {
		parsed, err := Load(files, dir)
		require.NoError(t, err)
		made, err := Load(builtIn(), dir)
		require.NoError(t, err)
		parsed.Dir, made.Dir = nil, nil
		assert.Equal(t, parsed, made)
	}
}
