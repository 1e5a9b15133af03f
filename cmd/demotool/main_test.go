//go:build linux

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/hub"
	"sawhorse/canbus/wire"
	"sawhorse/cmd/demotool/tester"
)

// car is one control unit on a user-space bus, in wall time. It answers single
// frames (worked examples of SAE J1979) until it is told to be silent.
type car struct {
	loop *clock.Loop
	port canbus.Port
	url  string
	stop func()
}

func (c *car) Sent(*canbus.Frame) {}

func (c *car) Receive(f *canbus.Frame) {
	answers := map[string][8]byte{
		"\x02\x01\x00": {6, 0x41, 0x00, 0x80, 0x18, 0x00, 0x00}, // 01 0C 0D
		"\x02\x01\x01": {6, 0x41, 0x01, 0x82, 0x07, 0x65, 0x00},
		"\x02\x01\x0C": {4, 0x41, 0x0C, 0x09, 0x70}, // 604 rpm
		"\x03\x01\x0C": {6, 0x41, 0x0C, 0x00, 0x00, 0x0D, 0x00},
		"\x01\x03\xCC": {6, 0x43, 0x02, 0x08, 0x0A, 0x03, 0x35},
		"\x01\x07\xCC": {2, 0x47, 0x00},
		"\x01\x0A\xCC": {2, 0x4A, 0x00},
		"\x02\x10\x03": {6, 0x50, 0x03, 0x00, 0x32, 0x01, 0xF4},
		"\x02\x10\x01": {6, 0x50, 0x01, 0x00, 0x32, 0x01, 0xF4},
		"\x04\x31\x01": {3, 0x7F, 0x31, 0x22}, // the pedal is up
	}
	if a, ok := answers[string(f.Data[:3])]; ok && (f.ID == 0x7DF || f.ID == 0x7E0) {
		out := canbus.New(0x7E8, a[:]...)
		c.loop.At(c.loop.Now()+3*time.Millisecond, clock.PriorityECU, func() { _ = c.port.Send(&out) })
	}
}

// startCar puts a car on a bus in a folder of the test.
func startCar(t *testing.T) *car {
	t.Helper()
	loop, err := clock.NewWall()
	require.NoError(t, err)
	bus, err := wire.New(loop, "main", wire.Config{})
	require.NoError(t, err)
	c := &car{loop: loop}
	c.port, err = bus.Attach("engine", c)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "car.sock")
	server, err := hub.Listen(path, loop, bus, hub.Options{})
	require.NoError(t, err)
	c.url = "unix:" + path
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = loop.Run(ctx, time.Hour)
	}()
	stopped := false
	c.stop = func() {
		if !stopped {
			stopped = true
			cancel()
			<-done
			_ = server.Close()
		}
	}
	t.Cleanup(c.stop)
	return c
}

var binary = "" // built once by TestMain

func TestMain(m *testing.M) {
	os.Exit(func() int {
		dir, err := os.MkdirTemp("", "demotool")
		if err != nil {
			panic(err)
		}
		defer os.RemoveAll(dir)
		binary = filepath.Join(dir, "demotool")
		if out, err := exec.Command("go", "build", "-o", binary, ".").CombinedOutput(); err != nil {
			panic(string(out))
		}
		return m.Run()
	}())
}

// tool runs the built program to its end.
func tool(t *testing.T, env []string, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, binary, args...)
	cmd.Env = append(os.Environ(), env...)
	var o, e bytes.Buffer
	cmd.Stdout, cmd.Stderr = &o, &e
	err := cmd.Run()
	var xe *exec.ExitError
	if err != nil && !errors.As(err, &xe) {
		require.NoError(t, err)
	}
	require.NoError(t, ctx.Err(), "it hangs; stderr: %s", e.String())
	return cmd.ProcessState.ExitCode(), o.String(), e.String()
}

func document(t *testing.T, out string) tester.Document {
	t.Helper()
	var d tester.Document
	require.NoError(t, json.Unmarshal([]byte(out), &d), "one JSON document on standard output: %s", out)
	return d
}

func TestReadCodesOfACarInAnotherProcess(t *testing.T) {
	c := startCar(t)
	status, out, progress := tool(t, []string{"SAWHORSE_BUS=" + c.url}, "read-codes")
	require.Equal(t, tester.StatusDone, status, progress)
	d := document(t, out)
	require.Len(t, d.ECUs, 1)
	assert.Equal(t, []tester.Code{{Code: "P080A"}, {Code: "P0335"}}, d.ECUs[0].Stored)
	assert.Equal(t, []tester.Code{}, d.ECUs[0].Permanent)
	assert.Contains(t, progress, "reading trouble codes\n")
	assert.NotContains(t, out, "reading trouble codes")
}

func TestRefusalIsStatus1(t *testing.T) {
	c := startCar(t)
	status, out, _ := tool(t, nil, "--bus", c.url, "clear-codes")
	assert.Equal(t, tester.StatusRefused, status)
	assert.Contains(t, document(t, out).Reason, "604 rpm")
}

func TestPedalUpIsStatus1(t *testing.T) {
	c := startCar(t)
	status, out, progress := tool(t, nil, "--bus", c.url, "--patience", "1s", "learn", "clutch")
	assert.Equal(t, tester.StatusRefused, status)
	assert.Equal(t, "refused", document(t, out).Learn.Outcome)
	assert.Contains(t, progress, "press the clutch pedal fully down")
}

func TestUsageIsStatus2(t *testing.T) {
	for name, args := range map[string][]string{
		"no task":       {},
		"unknown task":  {"dance"},
		"no position":   {"learn"},
		"bad position":  {"--bus", "unix:/x", "learn", "seat"},
		"extra word":    {"identify", "now"},
		"bad flag":      {"--colour", "identify"},
		"bad duration":  {"--limit", "soon", "identify"},
		"no bus":        {"identify"},
		"bad bus":       {"--bus", "tcp:1.2.3.4", "identify"},
		"memory bus":    {"--bus", "mem:", "identify"},
		"bad unit":      {"--bus", "unix:/x", "--uds", "body", "identify"},
		"bad unit id":   {"--bus", "unix:/x", "--uds", "body=8FF/7A8", "identify"},
		"same unit ids": {"--bus", "unix:/x", "--uds", "body=7A0/7A0", "identify"},
	} {
		status, out, msg := tool(t, []string{"SAWHORSE_BUS="}, args...)
		assert.Equal(t, tester.StatusUsage, status, name)
		assert.Empty(t, out, name)
		assert.Equal(t, 1, strings.Count(msg, "\n"), "one clear line: %q", msg)
	}
}

func TestHelpIsNoError(t *testing.T) {
	status, _, help := tool(t, nil, "--help")
	assert.Equal(t, 0, status)
	assert.Contains(t, help, "health-check")
	status, _, help = tool(t, nil, "learn", "--help")
	assert.Equal(t, 0, status)
	assert.Contains(t, help, "crank-variation")
}

func TestNoBusThereIsStatus3(t *testing.T) {
	status, _, msg := tool(t, nil, "--bus", "unix:"+filepath.Join(t.TempDir(), "none.sock"), "identify")
	assert.Equal(t, tester.StatusNoCar, status)
	assert.Contains(t, msg, "none.sock")
}

func TestEmptyBusIsStatus3(t *testing.T) {
	c := startCar(t)
	require.NoError(t, c.loop.Post(func() { _ = c.port.Close() }))
	status, out, _ := tool(t, nil, "--bus", c.url, "identify")
	assert.Equal(t, tester.StatusNoCar, status)
	assert.Equal(t, tester.StatusNoCar, document(t, out).Status)
}

// TestBusThatGoesAwayIsStatus4 and the next test stop the tool in the middle
// of a learn that waits for the pedal.
func TestBusThatGoesAwayIsStatus4(t *testing.T) {
	c := startCar(t)
	status, out := stopInTheMiddle(t, c, func(*exec.Cmd) { c.stop() })
	assert.Equal(t, tester.StatusLost, status)
	assert.Equal(t, tester.StatusLost, document(t, out).Status)
}

func TestInterruptEndsCleanly(t *testing.T) {
	for _, sig := range []os.Signal{os.Interrupt, syscall.SIGTERM} {
		c := startCar(t)
		status, out := stopInTheMiddle(t, c, func(cmd *exec.Cmd) { require.NoError(t, cmd.Process.Signal(sig)) })
		assert.Equal(t, tester.StatusStopped, status)
		d := document(t, out)
		assert.Equal(t, "interrupted", d.Reason)
		assert.Len(t, d.ECUs, 1, "what was read is kept")
	}
}

func stopInTheMiddle(t *testing.T, c *car, stop func(*exec.Cmd)) (int, string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, binary, "--bus", c.url, "learn", "clutch")
	var out bytes.Buffer
	cmd.Stdout = &out
	progress, err := cmd.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	seen := make([]byte, 0, 4096)
	buf := make([]byte, 512)
	for !bytes.Contains(seen, []byte("not yet")) {
		n, err := progress.Read(buf)
		require.NoError(t, err, "so far: %s", seen)
		seen = append(seen, buf[:n]...)
	}
	stop(cmd)
	_, _ = io.Copy(io.Discard, progress)
	_ = cmd.Wait()
	require.NoError(t, ctx.Err(), "it hangs")
	return cmd.ProcessState.ExitCode(), out.String()
}

// stuckConn is a bus that takes no frame and gives none.
type stuckConn struct{ quit chan struct{} }

func (c stuckConn) Read(*canbus.Frame) error  { <-c.quit; return io.EOF }
func (c stuckConn) Write(*canbus.Frame) error { <-c.quit; return io.EOF }
func (c stuckConn) Close() error              { return nil }

func TestBusThatTakesNothingDoesNotHangIt(t *testing.T) {
	m, err := tester.New(tester.Config{Task: "identify", LostWait: 300 * time.Millisecond})
	require.NoError(t, err)
	c := stuckConn{make(chan struct{})}
	defer close(c.quit)
	var out bytes.Buffer
	status, err := drive(context.Background(), m, c, &out, io.Discard)
	require.NoError(t, err)
	assert.Equal(t, tester.StatusNoCar, status)
}

type brokenPipe struct{}

func (brokenPipe) Write([]byte) (int, error) { return 0, syscall.EPIPE }

func TestOutputThatCannotBeWritten(t *testing.T) {
	m, err := tester.New(tester.Config{Task: "identify", LostWait: 100 * time.Millisecond})
	require.NoError(t, err)
	c := stuckConn{make(chan struct{})}
	defer close(c.quit)
	_, err = drive(context.Background(), m, c, brokenPipe{}, io.Discard)
	require.ErrorIs(t, err, syscall.EPIPE)
}

func TestPairs(t *testing.T) {
	p, err := parsePair("gate=18DA40F1/18DAF140")
	require.NoError(t, err)
	assert.Equal(t, tester.Pair{Name: "gate", Request: canbus.KeyOf(0x18DA40F1, true), Respond: canbus.KeyOf(0x18DAF140, true)}, p)
	for _, bad := range []string{"", "a", "a=", "a=1", "a=1/", "=1/2", "a=800/1", "a=20000000/1", "a=xyz/1", "a=-1/2"} {
		_, err := parsePair(bad)
		require.Error(t, err, bad)
	}
}
