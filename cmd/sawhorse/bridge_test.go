package main_test

import (
	"bytes"
	"fmt"
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
			require.NotRegexp(t, `[1-9] frames passed.* added 0s in the median`, out.String(), "a socket takes some time")
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

// A recording with faults: what was done to a frame is told with it, in the summary
// and in the capture; a node that the fault brings floods the bus.
func TestPlayWithFaults(t *testing.T) {
	c := serve(t)
	dir := t.TempDir()
	var csv strings.Builder
	csv.WriteString("time,id,dlc,data\n")
	for i := range 200 {
		fmt.Fprintf(&csv, "%.6f,321,2,00%02x\n", float64(i)/100, i)
	}
	require.NoError(t, os.WriteFile(filepath.Join(dir, "in.csv"), []byte(csv.String()), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "faults.yaml"), []byte(
		"faults:\n  - {fault: bytes-overwritten, params: {ids: \"321\", bytes: FF}, from: 500ms, until: 1s}\n"), 0o600))
	r := sawhorse(t, dir, "play", "in.csv", "--bus", "unix:"+c.socket, "--faults", "faults.yaml",
		"--fault", "bus-flooded:load=20", "--capture", "out.csv", "--seed", "3")
	require.Zero(t, r.status, r.errout)
	require.Contains(t, r.out, "200 frames played")
	require.Contains(t, r.out, "(seed 3)")
	out, err := os.ReadFile(filepath.Join(dir, "out.csv"))
	require.NoError(t, err)
	touched := strings.Count(string(out), "bytes-overwritten")
	require.InDelta(t, 50, touched, 25, "half a second of a frame every 10 ms")
	require.Contains(t, r.out, fmt.Sprintf("faults touched %d frames", touched))
	require.Greater(t, strings.Count(string(out), "\n"), 400, "the flood is recorded, too")
}

func TestMistakesOfFaultsWithoutACar(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "in.csv"), []byte("time,id,dlc,data\n"), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "f.yaml"), []byte("faults:\n  - {fault: clutch-unlearned}\n"), 0o600))
	for want, args := range map[string][]string{
		"f.yaml:2:13":      {"--faults", "f.yaml"},
		"no such file":     {"--faults", "nowhere.yaml"},
		"want PARAM=VALUE": {"--fault", "frames-lost:ids"},
		"want 10000 to":    {"--bit-rate", "5"},
	} {
		r := sawhorse(t, dir, append([]string{"play", "in.csv", "--bus", "unix:nobody"}, args...)...)
		require.Equal(t, 2, r.status, want)
		require.Contains(t, r.errout, want)
	}
}
