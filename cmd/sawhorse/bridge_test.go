package main_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A car on one bus, a tool on another, the bridge between them: the tool reads the
// car; with a fault in between one control unit is missing.
func TestABridgeBetweenACarAndATool(t *testing.T) {
	car, other := serve(t, "--key", "on"), serve(t)
	for name, c := range map[string]struct {
		args []string
		want int
	}{
		"sound":       {nil, 2},
		"with faults": {[]string{"--fault", "frames-lost:ids=7E9,sender=near"}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			cmd := command(dir, append([]string{"bridge", "--bus", "unix:" + car.socket, "--far", "unix:" + other.socket, "--capture", "both.pcapng"}, c.args...)...)
			var out, errout bytes.Buffer
			cmd.Stdout, cmd.Stderr = &out, &errout
			require.NoError(t, cmd.Start())
			require.Eventually(t, func() bool {
				return strings.Count(discover(t, other.socket), `"protocol": "obd"`) == c.want
			}, 20*time.Second, 50*time.Millisecond, "%s%s", &out, &errout)
			require.NoError(t, cmd.Process.Signal(os.Interrupt))
			require.NoError(t, cmd.Wait(), errout.String())
			require.Contains(t, out.String(), "frames passed")
			require.Contains(t, out.String(), "in the median")
			require.FileExists(t, filepath.Join(dir, "both.pcapng"))
		})
	}
}

// discover has the demo's tool identify what is on a bus.
func discover(t *testing.T, socket string) string {
	t.Helper()
	cmd := tool("identify", socket)
	out, _ := cmd.Output() // a car that is not found yet is a status of its own
	return string(out)
}

func TestMistakesOfABridge(t *testing.T) {
	dir := t.TempDir()
	for want, args := range map[string][]string{
		"--bus is not given":     {"--far", "unix:b"},
		"want two buses":         {"--bus", "unix:a", "--far", "unix:a"},
		"a.sock":                 {"--bus", "unix:a.sock", "--far", "unix:b.sock"},
		"inside one process":     {"--bus", "mem:", "--far", "unix:b"},
		"want unix:PATH or can:": {"--bus", "unix:a"},
	} {
		r := sawhorse(t, dir, append([]string{"bridge"}, args...)...)
		require.Equal(t, 2, r.status)
		require.Contains(t, r.errout, want)
	}
}
