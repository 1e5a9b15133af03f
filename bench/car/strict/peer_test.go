package strict_test

import (
	"bytes"
	"io/fs"
	"os"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car/strict"
)

// The decoder is ours, the YAML library's own the peer: on every data file of the
// program both come to the same values.
func TestDecodesAsTheLibraryDoes(t *testing.T) {
	n := 0
	for _, root := range []string{"..", "../../fault"} {
		require.NoError(t, fs.WalkDir(os.DirFS(root), ".", func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".yaml") {
				return err
			}
			data, err := fs.ReadFile(os.DirFS(root), path)
			require.NoError(t, err)
			var ours, theirs any
			_, err = strict.Read(path, data, &ours)
			require.NoError(t, err)
			require.NoError(t, yaml.NewDecoder(bytes.NewReader(data)).Decode(&theirs))
			assert.Equal(t, theirs, ours, path)
			n++
			return nil
		}))
	}
	assert.Greater(t, n, 30)
}
