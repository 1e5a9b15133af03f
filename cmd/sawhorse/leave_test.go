package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A capture beside its page takes no room of its own, and stays what it was when the
// run is done anew.
func TestACaptureBesideItsPageIsNoCopy(t *testing.T) {
	dir := t.TempDir()
	from, to := filepath.Join(dir, "capture.pcapng"), filepath.Join(dir, "pages", "run.pcapng")
	require.NoError(t, os.WriteFile(from, []byte("first"), 0o644))
	for range 2 {
		require.NoError(t, placeFile(to, from))
		a, err := os.Stat(from)
		require.NoError(t, err)
		b, err := os.Stat(to)
		require.NoError(t, err)
		require.True(t, os.SameFile(a, b))
	}
	again := from + ".part"
	require.NoError(t, os.WriteFile(again, []byte("second"), 0o644))
	require.NoError(t, os.Rename(again, from))
	data, err := os.ReadFile(to)
	require.NoError(t, err)
	require.Equal(t, "first", string(data))
	require.NoError(t, placeFile(to, from))
	data, err = os.ReadFile(to)
	require.NoError(t, err)
	require.Equal(t, "second", string(data))
	left, err := os.ReadDir(filepath.Dir(to))
	require.NoError(t, err)
	require.Len(t, left, 1)
}
