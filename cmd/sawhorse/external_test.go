package main_test

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// held runs the example's scenario with a tool in somebody's hands, who types through a
// pipe; tool is a command that works on the bus, or none.
func held(t *testing.T, typed string, tool ...string) (out, said string, status int) {
	t.Helper()
	dir := t.TempDir()
	scenario, err := filepath.Abs("../../deploy/examples/vin.yaml")
	require.NoError(t, err)
	socket := filepath.Join(dir, "e.sock")
	cmd := command(dir, "run", scenario, "--tool", "external", "--bus", "unix:"+socket)
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	var stdout, stderr strings.Builder
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	require.NoError(t, cmd.Start())
	require.Eventually(t, func() bool { _, err := os.Stat(socket); return err == nil }, 20*time.Second, 20*time.Millisecond)
	if len(tool) > 0 { // again and again, as it may come before the task does
		stop := make(chan struct{})
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			for {
				c := exec.Command(tool[0], tool[1:]...)
				c.Env = append(os.Environ(), "SAWHORSE_BUS=unix:"+socket)
				_ = c.Run() // until the bus is gone
				select {
				case <-stop:
					return
				case <-time.After(200 * time.Millisecond):
				}
			}
		}()
		time.AfterFunc(6*time.Second, func() { _, _ = io.WriteString(in, typed); in.Close() })
		defer func() { close(stop); <-ended }()
	} else {
		_, _ = io.WriteString(in, typed)
		in.Close()
	}
	_ = cmd.Wait()
	return stdout.String(), stderr.String(), cmd.ProcessState.ExitCode()
}

// A tool in somebody's hands that sends nothing is undecided, whatever is typed.
func TestExternalToolThatSendsNothing(t *testing.T) {
	out, said, status := held(t, "vin 0PT48VM60R1000048\ndone\n")
	require.Equal(t, 4, status, out)
	require.Contains(t, said, "Type what the tool shows")
	require.Contains(t, said, "the tool has sent nothing on the bus")
	require.Regexp(t, `(?m)^ +UNDECIDED +vin `, out)
	require.NotContains(t, out, "FAILED")
	out, _, status = held(t, "not possible there is no such menu\n")
	require.Equal(t, 0, status, out)
	require.Contains(t, out, "is not possible with this tool")
}

// What is typed through a pipe is compared like what a program prints.
func TestExternalToolIsJudgedByWhatIsTyped(t *testing.T) {
	demotool := filepath.Join(programs, "demotool")
	for typed, want := range map[string]struct {
		status int
		out    string
	}{
		"vin 0PT48VM60R1000048\ndone\n":                {0, `(?m)^ +passed +vin `},
		"vin 0PT48VM60R1000049\ncause unclear\nDone\n": {1, `(?m)^ +FAILED +vin `},
	} {
		out, said, status := held(t, typed, demotool, "identify")
		require.Contains(t, said, "Not told of identify, and so not compared: ecus, calibrations.")
		if status == 4 && strings.Contains(out, "the bench was late by ") {
			t.Logf("%q: undecided, as this machine is busy", typed)
			continue
		}
		require.Equal(t, want.status, status, "%s\n%s", out, said)
		require.Regexp(t, want.out, out)
	}
}
