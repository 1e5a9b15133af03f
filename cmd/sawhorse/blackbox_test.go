package main_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// These tests drive the built programs from outside, as a user does. They import
// none of the project's code and wait for facts, never for a time.

var programs string // folder of the built programs

func TestMain(m *testing.M) {
	if programs = os.Getenv("SAWHORSE_PROGRAMS"); programs != "" { // where there is no compiler
		os.Exit(m.Run())
	}
	dir, err := os.MkdirTemp("", "sawhorse-programs-")
	if err != nil {
		panic(err)
	}
	programs = dir
	for _, p := range []string{"sawhorse", "demotool"} {
		cmd := exec.Command("go", "build", "-o", filepath.Join(dir, p), "sawhorse/cmd/"+p)
		if out, err := cmd.CombinedOutput(); err != nil {
			panic(fmt.Sprintf("%v: %s", err, out))
		}
	}
	status := m.Run()
	_ = os.RemoveAll(dir)
	os.Exit(status)
}

// result is what a finished program left.
type result struct {
	status      int
	out, errout string
}

func command(dir string, args ...string) *exec.Cmd {
	cmd := exec.Command(filepath.Join(programs, "sawhorse"), args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "PATH="+programs+":"+os.Getenv("PATH"))
	return cmd
}

func sawhorse(t *testing.T, dir string, args ...string) result {
	t.Helper()
	return resultOf(t, command(dir, args...))
}

// resultOf runs a command to its end.
func resultOf(t *testing.T, cmd *exec.Cmd) result {
	t.Helper()
	var out, errout bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errout
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return result{cmd.ProcessState.ExitCode(), out.String(), errout.String()}
}

func write(t *testing.T, path, text string) string {
	t.Helper()
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// The built-in scenarios, but for those that wait many minutes: these are run by the
// tests of their package.
func TestBuiltInScenariosPassAndLeaveTheirFiles(t *testing.T) {
	dir := t.TempDir()
	args := []string{"run", "--junit", "results.xml"}
	files, err := filepath.Glob("../../scenarios/*.yaml")
	require.NoError(t, err)
	long := regexp.MustCompile(`(?m)^duration: \d\dm`)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		if !long.Match(text) {
			args = append(args, strings.TrimSuffix(filepath.Base(file), ".yaml"))
		}
	}
	require.Greater(t, len(args), 12)
	r := sawhorse(t, dir, args...)
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Contains(t, r.out, "clutch-learn: Teach a fresh engine ECU the clutch")
	require.NotContains(t, r.out, "FAILED")
	require.FileExists(t, filepath.Join(dir, "out/clutch-learn/run.json"))
	require.FileExists(t, filepath.Join(dir, "out/clutch-learn/capture.pcapng"))
	xml, err := os.ReadFile(filepath.Join(dir, "results.xml"))
	require.NoError(t, err)
	require.Contains(t, string(xml), `<testsuite name="clutch-learn"`)
	left, err := filepath.Glob(filepath.Join(dir, "out/*/*.part*"))
	require.NoError(t, err)
	require.Empty(t, left)
}

// A scenario that asks for something that does not happen.
const hopeless = `scenario: hopeless
title: The engine starts without a key
about: It does not.
car: petrel-48
duration: 5s
expect:
  - {id: starts, says: The engine starts by itself, eventually: {that: engine_running, within: 3s}}
`

// A run leaves a recording in which inspect finds the messages of the car's own network at
// the periods that cars tells, and what their signals showed.
func TestInspectKnowsTheCarsOwnMessages(t *testing.T) {
	dir := t.TempDir()
	require.Zero(t, sawhorse(t, dir, "run", "healthy").status)
	var cars []struct {
		Buses []struct {
			Messages []struct {
				ID, Name string
				Period   float64 `json:"period_s"`
			}
		}
	}
	listed := sawhorse(t, dir, "cars", "petrel-48", "--json")
	require.NoError(t, json.Unmarshal([]byte(listed.out), &cars), listed.errout)
	res := sawhorse(t, dir, "inspect", "out/healthy/capture.pcapng", "--dbc", "petrel-48")
	require.Zero(t, res.status, res.errout)
	about, signals, ok := strings.Cut(res.out, "\nSignals\n")
	require.True(t, ok, res.out)
	messages := cars[0].Buses[0].Messages
	require.GreaterOrEqual(t, len(messages), 20)
	row := regexp.MustCompile(`(?m)^  (\w+) +0 +\d+ +\d +([0-9.]+) `)
	mean := map[string]float64{}
	for _, m := range row.FindAllStringSubmatch(about, -1) {
		v, err := strconv.ParseFloat(m[2], 64)
		require.NoError(t, err)
		mean[m[1]] = v
	}
	for _, m := range messages {
		require.InEpsilon(t, 1000*m.Period, mean[m.ID], 0.001, "%s %s", m.ID, m.Name)
		require.Regexp(t, `(?m)^  `+m.Name+` +\w+ +`, signals)
	}
	require.Regexp(t, `(?m)^  EngineSpeed +EngineRunning +0 +1 +1`, signals)
	require.Regexp(t, `(?m)^  BodyLights +KeyPosition +2 +3 +2`, signals)
	require.NotContains(t, mean, "3F1", "the cluster is no unit of this car")
}

func TestAFailureTellsTheOneCommandThatRepeatsIt(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "hopeless.yaml"), hopeless)
	r := sawhorse(t, dir, "run", "hopeless.yaml")
	require.Equal(t, 1, r.status, r.out+r.errout)
	require.Contains(t, r.out, "FAILED")
	_, again, ok := strings.Cut(r.out, "repeat it: sawhorse ")
	require.True(t, ok, r.out)
	before, err := os.ReadFile(filepath.Join(dir, "out/hopeless/capture.pcapng"))
	require.NoError(t, err)

	r = sawhorse(t, dir, strings.Fields(strings.SplitN(again, "\n", 2)[0])...)
	require.Equal(t, 1, r.status, r.out+r.errout)
	require.Contains(t, r.out, "FAILED")
	after, err := os.ReadFile(filepath.Join(dir, "out/hopeless/capture.pcapng"))
	require.NoError(t, err)
	require.Equal(t, before, after)
}

func TestMistakesAreToldInOneLineWithTheirPlace(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "broken.yaml"), strings.Replace(hopeless, "duration", "duraton", 1))
	write(t, filepath.Join(dir, "cel.yaml"), strings.Replace(hopeless, "engine_running,", "engine_runing,", 1))
	write(t, filepath.Join(dir, "bad.profile.yaml"), "profile: bad\ntaks: []\n")
	write(t, filepath.Join(dir, "cut.pcapng"), "\x0a\x0d\x0d\x0a\x1c\x00")
	write(t, filepath.Join(dir, "settings.yaml"), "run:\n  sed: 7\n")
	write(t, filepath.Join(dir, "run.json"), "{\n \"sawhorse_run\": 1,\n \"sed\": 2}")
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"unknown command":   {[]string{"fly"}, `unknown command "fly"`},
		"unknown flag":      {[]string{"run", "--sed", "7"}, "unknown flag: --sed"},
		"no such scenario":  {[]string{"run", "gremlins"}, "not one of the built-in air-mass-dead"},
		"unknown key":       {[]string{"run", "broken.yaml"}, "broken.yaml:5:1: "},
		"unknown signal":    {[]string{"run", "cel.yaml"}, "cel.yaml:7:"},
		"broken profile":    {[]string{"run", "--tool", "bad.profile.yaml"}, "bad.profile.yaml:2:1: "},
		"missing profile":   {[]string{"run", "--tool", "none.yaml"}, "want a file or one of demotool"},
		"broken plan":       {[]string{"run", "--again", "run.json"}, `unknown field "sed"`},
		"bad time":          {[]string{"run", "--time", "soon"}, "want auto, virtual or wall"},
		"two for a capture": {[]string{"run", "--capture", "x.pcapng"}, "names one file"},
		"bad bus":           {[]string{"play", "cut.pcapng", "--bus", "can"}, "unix:PATH"},
		"no bus":            {[]string{"play", "cut.pcapng"}, "--bus is not given"},
		"nobody there":      {[]string{"record", "x.pcapng", "--bus", "unix:nobody.sock"}, "nobody.sock"},
		"cut capture":       {[]string{"play", "cut.pcapng", "--bus", "unix:nobody.sock"}, "cut.pcapng"},
		"bad speed":         {[]string{"play", "cut.pcapng", "--bus", "unix:x", "--speed", "-1"}, "above 0"},
		"unknown fault":     {[]string{"faults", "gremlins"}, "sawhorse faults lists all"},
		"misspelt fault":    {[]string{"faults", "clutch-unlerned"}, "did you mean clutch-unlearned?"},
		"misspelt at serve": {[]string{"serve", "--fault", "padding-wrng:byte=55"}, "did you mean padding-wrong?"},
		"no faults file":    {[]string{"serve", "--faults", "none.yaml"}, "none.yaml"},
		"misspelt param":    {[]string{"play", "cut.pcapng", "--bus", "unix:x", "--fault", "frames-late:dely=5"}, "did you mean delay?"},
		"unknown rule":      {[]string{"rules", "be-nice"}, "sawhorse rules lists them"},
		"unknown car":       {[]string{"cars", "fish"}, "petrel-48"},
		"not loopback":      {[]string{"serve", "--listen", "0.0.0.0:9464"}, "want a loopback address"},
		"unknown setting":   {[]string{"run", "--config", "settings.yaml"}, "settings.yaml:2:8: unknown setting"},
		"missing settings":  {[]string{"run", "--config", "none.yaml"}, "none.yaml"},
	} {
		t.Run(name, func(t *testing.T) {
			r := sawhorse(t, dir, c.args...)
			require.Equal(t, 2, r.status, r.out+r.errout)
			require.Contains(t, r.errout, c.want)
			require.True(t, strings.HasPrefix(r.errout, "sawhorse: "), r.errout)
			require.Empty(t, r.out)
		})
	}
	files, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, files, 6, "nothing half-written is left: %v", files)
}

// daemon is a running serve.
type daemon struct {
	cmd    *exec.Cmd
	out    *bytes.Buffer
	url    string
	socket string
}

func serve(t *testing.T, args ...string) *daemon {
	t.Helper()
	dir := t.TempDir()
	d := &daemon{socket: filepath.Join(dir, "bus"), out: &bytes.Buffer{}}
	d.cmd = command(dir, append([]string{"serve", "--listen", "127.0.0.1:0", "--bus", "unix:" + d.socket}, args...)...)
	d.cmd.Stderr = d.out
	pipe, err := d.cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, d.cmd.Start())
	t.Cleanup(func() { _ = d.cmd.Process.Kill(); _ = d.cmd.Wait() })
	line := make([]byte, 4096)
	n, err := pipe.Read(line)
	require.NoError(t, err, "%s", d.out)
	_, rest, ok := strings.Cut(string(line[:n]), "http://")
	require.True(t, ok, string(line[:n]))
	d.url = "http://" + strings.SplitN(rest, ";", 2)[0]
	go func() { _, _ = io.Copy(io.Discard, pipe) }()
	return d
}

func (d *daemon) ask(t *testing.T, method, path, body string) (int, string) {
	t.Helper()
	req, err := http.NewRequest(method, d.url+path, strings.NewReader(body))
	require.NoError(t, err)
	resp, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	data, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp.StatusCode, string(data)
}

func TestTheDaemonIsDrivenAndDiagnosedFromOutside(t *testing.T) {
	d := serve(t)
	status, body := d.ask(t, "GET", "/healthz", "")
	require.Equal(t, 200, status, body)
	status, body = d.ask(t, "PUT", "/v1/driver", `{"key": "on"}`)
	require.Equal(t, 204, status, body)
	status, body = d.ask(t, "PUT", "/v1/faults/intake-air-open", "")
	require.Equal(t, 204, status, body)
	require.Eventually(t, func() bool { return len(codesBySocket(t, d.socket)) == 1 }, 20*time.Second, 100*time.Millisecond)
	require.Equal(t, []string{"P0113"}, codesBySocket(t, d.socket))
	status, body = d.ask(t, "GET", "/metrics", "")
	require.Equal(t, 200, status)
	require.Contains(t, body, `sawhorse_diagnostic_requests_total{service="03"}`)
	require.Contains(t, body, "sawhorse_faults_active 1")
	status, body = d.ask(t, "PUT", "/v1/recording", `{"name": "../up"}`)
	require.Equal(t, 400, status, body)
	status, body = d.ask(t, "PUT", "/v1/recording", `{"name": "morning"}`)
	require.Equal(t, 204, status, body)
	_ = codesBySocket(t, d.socket)
	status, body = d.ask(t, "DELETE", "/v1/recording", "")
	require.Equal(t, 200, status, body)
	require.FileExists(t, filepath.Join(filepath.Dir(d.socket), "morning.pcapng"))
	require.NotContains(t, body, `"frames": 0`)
	status, body = d.ask(t, "PUT", "/v1/driver", `{"key": "sideways"}`)
	require.Equal(t, 400, status, body)

	require.NoError(t, d.cmd.Process.Signal(os.Interrupt))
	require.NoError(t, d.cmd.Wait(), "%s", d.out)
	require.NoFileExists(t, d.socket)
}

// tool is the demo's tool at a task.
func tool(task, socket string) *exec.Cmd {
	cmd := exec.Command(filepath.Join(programs, "demotool"), task)
	cmd.Env = append(os.Environ(), "SAWHORSE_BUS=unix:"+socket)
	return cmd
}

// codesBySocket asks with the demo's tool, a process of its own.
func codesBySocket(t *testing.T, socket string) []string {
	t.Helper()
	out, err := tool("read-codes", socket).Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() == 3 {
		return nil // the ECUs are still starting
	}
	require.NoError(t, err)
	var doc struct {
		ECUs []struct{ Stored, Pending []struct{ Code string } }
	}
	require.NoError(t, json.Unmarshal(out, &doc))
	var codes []string
	for _, e := range doc.ECUs {
		for _, c := range append(e.Stored, e.Pending...) {
			if len(codes) == 0 || codes[len(codes)-1] != c.Code {
				codes = append(codes, c.Code)
			}
		}
	}
	return codes
}

// What is recorded comes back when it is played to another recorder.
func TestRecordAndPlay(t *testing.T) {
	d := serve(t, "--key", "on")
	dir := t.TempDir()
	rec := command(dir, "record", "drive.pcapng", "--bus", "unix:"+d.socket, "--frames", "40")
	require.NoError(t, rec.Start())
	for rec.ProcessState == nil {
		_ = codesBySocket(t, d.socket)
		if matches, _ := filepath.Glob(filepath.Join(dir, "drive.pcapng")); len(matches) == 1 {
			require.NoError(t, rec.Wait())
		}
	}
	second := command(dir, "record", "again.csv", "--bus", "unix:"+d.socket, "--frames", "40")
	require.NoError(t, second.Start())
	require.Eventually(t, func() bool {
		m, _ := filepath.Glob(filepath.Join(dir, "again.csv.part"))
		return len(m) == 1
	}, 10*time.Second, 10*time.Millisecond)
	r := sawhorse(t, dir, "play", "drive.pcapng", "--bus", "unix:"+d.socket, "--speed", "max",
		"--remap", "7DF=100", "--remap", "7E0=101", "--remap", "7E8=102", "--remap", "7E9=103", "--remap", "7E1=104", "--remap", "7A0=105", "--remap", "7A8=106")
	require.Equal(t, 0, r.status, r.out+r.errout)
	require.Contains(t, r.out, "40 frames played")
	require.NoError(t, second.Wait())
	require.FileExists(t, filepath.Join(dir, "again.csv"))
}

// Ctrl-C in the middle of a run: the tool is killed, the capture closed, the
// verdicts so far printed.
func TestCtrlCEndsARunCleanly(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "slow.profile.yaml"), "profile: slow\ntasks:\n  - {task: health-check, command: [sh, -c, 'echo begun > begun; sleep 600']}\n")
	write(t, filepath.Join(dir, "slow.yaml"), `scenario: slow
title: A tool that takes its time
about: Much of it.
car: petrel-48
duration: 600s
driver: [{at: 0s, key: on}]
tasks: [{task: health-check, limit: 500s}]
expect:
  - {id: ends, says: The check ends, finished: {task: health-check}}
`)
	cmd := command(dir, "run", "slow.yaml", "--tool", "slow.profile.yaml")
	var out, errout bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errout
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	require.NoError(t, cmd.Start())
	require.Eventually(t, func() bool {
		_, err := os.Stat(filepath.Join(dir, "begun"))
		return err == nil
	}, 10*time.Second, 10*time.Millisecond)
	require.NoError(t, cmd.Process.Signal(os.Interrupt))
	_ = cmd.Wait()
	require.Equal(t, 2, cmd.ProcessState.ExitCode(), out.String()+errout.String())
	require.Contains(t, out.String(), "UNDECIDED")
	require.FileExists(t, filepath.Join(dir, "out/slow/capture.pcapng"))
	left, err := filepath.Glob(filepath.Join(dir, "out/slow/*.part*"))
	require.NoError(t, err)
	require.Empty(t, left)
}
