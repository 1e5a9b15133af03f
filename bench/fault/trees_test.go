package fault

import (
	"flag"
	"io/fs"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car/strict"
)

// Update has generated files written anew.
var Update = flag.Bool("update", false, "write generated files anew")

// What parsing the catalogue's files gives is made beforehand: `go generate ./bench/fault`.
func TestTreesAreCurrent(t *testing.T) {
	names, err := fs.Glob(files, "catalogue/*.yaml")
	require.NoError(t, err)
	want, err := strict.Pack(files, append(names, "drives.yaml"))
	require.NoError(t, err)
	if *Update {
		require.NoError(t, os.WriteFile("trees.bin", want, 0o644))
		return
	}
	assert.True(t, string(want) == trees, "trees.bin is not that of the files, make it anew: go generate ./bench/fault")
}

// The catalogue is the same by either way.
func TestTheParsedCatalogueIsThatOfTheTrees(t *testing.T) {
	parsed, err := load(files)
	require.NoError(t, err)
	assert.Equal(t, parsed, catalogue())
}
