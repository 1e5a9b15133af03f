package main_test

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A script that turns the key, and what is expected of whoever works on the car.
const scripted = `scenario: scripted
title: A fault to be found
about: The key goes on by itself; somebody reads the codes.
car: petrel-48
duration: 10m
driver:
  - {at: 100ms, key: on}
faults:
  - {fault: intake-air-open, from: 200ms}
expect:
  - id: reads
    says: Somebody reads the stored codes
    eventually: {that: "event.kind == 'request' && event.service == 0x03", within: 10m}
  - id: starts
    says: The engine runs
    eventually: {that: engine_running, within: 10m}
`

// A daemon with the script of a scenario, worked on from outside, gives verdicts when
// it is stopped: of the scenario's expectations and of the rules for every tool.
func TestADaemonIsScriptedAndJudged(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "scripted.yaml"), scripted)
	socket := filepath.Join(dir, "bus")
	cmd := command(dir, "serve", "--scenario", "scripted.yaml", "--bus", "unix:"+socket, "--listen", "127.0.0.1:0")
	var out, errout bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errout
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	require.Eventually(t, func() bool { return exists(socket) }, 20*time.Second, 20*time.Millisecond)
	require.Eventually(t, func() bool {
		codes, err := tool("read-codes", socket).Output()
		return err == nil && strings.Contains(string(codes), "P0113")
	}, 30*time.Second, 100*time.Millisecond, "the script breaks the wire")
	require.NoError(t, cmd.Process.Signal(os.Interrupt))
	var exit *exec.ExitError
	require.True(t, errors.As(cmd.Wait(), &exit), out.String())
	require.Equal(t, 4, exit.ExitCode(), "the engine may still start: %s%s", &out, &errout)
	require.Regexp(t, `passed +reads `, out.String())
	require.Regexp(t, `(?i)undecided +starts `, out.String())
	require.Contains(t, out.String(), "rules for every tool")
}

func TestMistakesOfAScriptedDaemon(t *testing.T) {
	dir := t.TempDir()
	for want, args := range map[string][]string{
		"no such file or folder":     {"--scenario", "nowhere.yaml"},
		"is of the auklet-18":        {"--scenario", "auklet-healthy", "--car", "petrel-48"},
		"has no scenario files":      {"--scenario", "."},
		"want a loopback address":    {"--judge", "--listen", "0.0.0.0:1"},
		"unix:PATH or can:IFACE":     {"--judge", "--bus", "mem:"},
		`"healthy,healthy": no such`: {"--scenario", "healthy,healthy"},
	} {
		r := sawhorse(t, dir, append([]string{"serve"}, args...)...)
		require.Equal(t, 2, r.status, want)
		require.Contains(t, r.errout, want)
	}
}
