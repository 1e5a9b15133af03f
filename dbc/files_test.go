package dbc_test

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/dbc"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, file, got string) {
	t.Helper()
	file = strings.TrimSuffix(file, ".dbc") + ".txt"
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err, "-update writes it")
	require.Equal(t, string(want), got, "%s (-update rewrites it)", file)
}

func files(t *testing.T, dir string) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join("testdata", dir, "*.dbc"))
	require.NoError(t, err)
	require.Greater(t, len(list), 25, "files are missing: this test would prove little")
	return list
}

// One file for each oddity that real files have and whose meaning is clear: it is read,
// and all but those that the format allows bring a warning.
func TestOddFilesAreReadWithWarnings(t *testing.T) {
	allowed := []string{"clean", "utf-8", "bit-timing", "roles-unused", "symbols-not-indented", "extended-multiplexing", "multiplexed-switch-alone", "floats"}
	for _, file := range files(t, "quirks") {
		name := strings.TrimSuffix(filepath.Base(file), ".dbc")
		t.Run(name, func(t *testing.T) {
			n, err := dbc.Load(file)
			require.NoError(t, err)
			golden(t, file, dump(n))
			quiet := false
			for _, a := range allowed {
				quiet = quiet || a == name
			}
			require.Equal(t, quiet, len(n.Warnings) == 0, "%v", n.Warnings)
			for _, w := range n.Warnings {
				require.Equal(t, file, w.File)
			}
		})
	}
}

// One file for each shape whose meaning is not clear: refused, by line and column, with
// what was expected.
func TestUnclearFilesAreRefused(t *testing.T) {
	for _, file := range files(t, "refused") {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".dbc"), func(t *testing.T) {
			n, err := dbc.Load(file)
			require.Nil(t, n)
			var list dbc.Errors
			require.ErrorAs(t, err, &list)
			require.NotEmpty(t, list)
			require.LessOrEqual(t, len(list), 20)
			golden(t, file, strings.ReplaceAll(err.Error(), filepath.Dir(file)+string(filepath.Separator), "")+"\n")
			var one *dbc.Error
			require.ErrorAs(t, err, &one)
			require.Equal(t, file, one.File)
		})
	}
}

func TestNoFile(t *testing.T) {
	_, err := dbc.Load("testdata/nothing.dbc")
	require.ErrorIs(t, err, os.ErrNotExist)
	var list dbc.Errors
	require.False(t, errors.As(err, &list))

	big := filepath.Join(t.TempDir(), "big.dbc")
	require.NoError(t, os.WriteFile(big, nil, 0o644))
	require.NoError(t, os.Truncate(big, dbc.MaxSize+1))
	_, err = dbc.Load(big)
	require.ErrorContains(t, err, "big.dbc: 33554433 bytes, want at most 33554432")
}
