package main_test

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A ring is saved when the condition holds, and files follow each other.
func TestRingsAndFollowingFiles(t *testing.T) {
	d := serve(t, "--key", "on")
	dir := t.TempDir()
	ring := command(dir, "record", "vin.pcapng", "--bus", "unix:"+d.socket, "--for", "6s",
		"--when", "event.id == 0x7E8 && event.data.at(2) == 0x43", "--before", "2s", "--after", "100ms")
	each := command(dir, "record", "all.csv", "--bus", "unix:"+d.socket, "--for", "6s", "--each", "2kB")
	require.NoError(t, ring.Start())
	require.NoError(t, each.Start())
	require.Eventually(t, func() bool {
		_ = codesBySocket(t, d.socket)
		m, _ := filepath.Glob(filepath.Join(dir, "all-*.csv"))
		return len(m) >= 2
	}, 20*time.Second, 50*time.Millisecond)
	require.NoError(t, ring.Wait())
	require.NoError(t, each.Wait())
	files, err := filepath.Glob(filepath.Join(dir, "all-*.csv"))
	require.NoError(t, err)
	require.Greater(t, len(files), 1)
}

func TestMistakesOfARecording(t *testing.T) {
	dir := t.TempDir()
	for want, args := range map[string][]string{
		"want one of them":    {"--each", "1m", "--when", "event.id == 1"},
		"goes with --each":    {"--keep", "3"},
		"want a time such as": {"--each", "often"},
		"column":              {"--when", "event.id == "},
		"looks at no frame":   {"--when", "t > 1.0"},
		"some time before":    {"--when", "event.id == 1", "--before", "0s"},
	} {
		r := sawhorse(t, dir, append([]string{"record", "x.pcapng", "--bus", "unix:nobody"}, args...)...)
		require.Equal(t, 2, r.status, want)
		require.Contains(t, r.errout, want)
	}
	left, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	require.Empty(t, left)
}
