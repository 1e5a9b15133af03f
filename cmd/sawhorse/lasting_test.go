package main_test

import (
	"bufio"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Two signals at once, as a shell or a supervisor gives them that signals a process and
// then its group, are one: the file of the moment is closed and has its name.
func TestAnInterruptedMomentIsWhole(t *testing.T) {
	d := serve(t, "--key", "on")
	for i := range 5 {
		dir := t.TempDir()
		cmd := command(dir, "record", "m.pcapng", "--bus", "unix:"+d.socket, "--when", "event.id > 0", "--after", "1m")
		require.NoError(t, cmd.Start())
		require.Eventually(t, func() bool { return exists(dir, "m-0001.pcapng.part") }, 20*time.Second, 10*time.Millisecond)
		require.NoError(t, cmd.Process.Signal(os.Interrupt))
		require.NoError(t, cmd.Process.Signal(os.Interrupt))
		require.NoError(t, cmd.Wait(), "try %d", i)
		require.True(t, exists(dir, "m-0001.pcapng"), "try %d", i)
		require.False(t, exists(dir, "m-0001.pcapng.part"), "try %d", i)
	}
}

func exists(parts ...string) bool {
	_, err := os.Stat(filepath.Join(parts...))
	return err == nil
}

// What came before a silence is on its way to the disk a second later, though no
// frame comes that would push it: a process that is killed loses no more.
func TestAKilledRecordingKeepsWhatCameBefore(t *testing.T) {
	d := serve(t) // the key is off, so that the car is silent but for what play sends
	dir := t.TempDir()
	var csv strings.Builder
	csv.WriteString("time,id,dlc,data\n")
	for range 50 {
		csv.WriteString("0.001000,321,1,00\n")
	}
	write(t, filepath.Join(dir, "in.csv"), csv.String())
	cmd := command(dir, "record", "a.csv", "--bus", "unix:"+d.socket, "--only", "321")
	require.NoError(t, cmd.Start())
	require.Eventually(t, func() bool { return exists(dir, "a.csv.part") }, 20*time.Second, 10*time.Millisecond)
	kept := func() bool {
		text, err := os.ReadFile(filepath.Join(dir, "a.csv.part"))
		return err == nil && strings.Count(string(text), ",321,") >= 50
	}
	require.Eventually(t, func() bool { // the file is there before the recorder is on the bus
		r := sawhorse(t, dir, "play", "in.csv", "--bus", "unix:"+d.socket)
		return r.status == 0 && kept()
	}, 20*time.Second, time.Second)
	require.NoError(t, cmd.Process.Kill())
	_ = cmd.Wait()
}

// Nothing that was recorded is overwritten by another recording.
func TestRecordingsAreNotOverwritten(t *testing.T) {
	d := serve(t)
	dir := t.TempDir()
	write(t, filepath.Join(dir, "a.pcapng"), "older")
	write(t, filepath.Join(dir, "in.csv"), "time,id,dlc,data\n0.000000,321,1,00\n")
	for _, args := range [][]string{
		{"record", "a.pcapng", "--for", "1s"},
		{"play", "in.csv", "--capture", "a.pcapng"},
	} {
		r := sawhorse(t, dir, append(args, "--bus", "unix:"+d.socket)...)
		require.Equal(t, 2, r.status, r.out)
		require.Contains(t, r.errout, "a.pcapng: file already exists")
	}
	text, err := os.ReadFile(filepath.Join(dir, "a.pcapng"))
	require.NoError(t, err)
	require.Equal(t, "older", string(text))
	require.False(t, exists(dir, "a.pcapng.part"))
}

// small runs a shell script in a folder that has room for 16 kB, with the program and
// its arguments behind it.
func small(t *testing.T, script string, args ...string) *exec.Cmd {
	t.Helper()
	if _, err := exec.LookPath("unshare"); err != nil || os.Geteuid() != 0 {
		t.Skip("needs root, for a small file system of its own")
	}
	if out, err := exec.Command("unshare", "--mount", "mount", "-t", "tmpfs", "none", t.TempDir()).CombinedOutput(); err != nil {
		t.Skipf("no file system of its own here: %s", out)
	}
	script = `mount -t tmpfs -o size=16k none "$1" && cd "$1" && shift && ` + script
	args = append([]string{"--mount", "sh", "-c", script, "sh", t.TempDir(), filepath.Join(programs, "sawhorse")}, args...)
	return exec.Command("unshare", args...)
}

// A full disk is told at once, and no file is named that is not there.
func TestAFullDiskIsToldAtOnce(t *testing.T) {
	d := serve(t, "--key", "on")
	for name, args := range map[string][]string{
		"record": {"record", "a.csv", "--bus", "unix:" + d.socket},
		"run":    {"run", "healthy"},
	} {
		t.Run(name, func(t *testing.T) {
			began := time.Now()
			r := resultOf(t, small(t, `exec "$@"`, args...))
			require.Equal(t, 2, r.status, r.out+r.errout)
			require.Contains(t, r.out+r.errout, "no space left")
			require.NotRegexp(t, `(a\.csv|capture\.pcapng)(\s|$)`, r.out)
			require.Less(t, time.Since(began), 30*time.Second)
		})
	}
}

// A daemon whose recording finds no room says so in its log, its metrics and its
// health before anybody ends the recording.
func TestADaemonTellsOfAFullDisk(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "bus")
	cmd := small(t, `exec "$@"`, "serve", "--bus", "unix:"+socket, "--key", "on", "--listen", "127.0.0.1:0", "--log-level", "info")
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	var errout strings.Builder
	cmd.Stderr = &errout
	require.NoError(t, cmd.Start())
	defer func() {
		_ = cmd.Process.Signal(os.Interrupt)
		_ = cmd.Wait()
		require.Contains(t, errout.String(), `level=ERROR msg="the recording has failed"`)
		require.Contains(t, errout.String(), "msg=action method=PUT path=/v1/recording")
	}()
	line, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err)
	url := regexp.MustCompile(`http://[0-9.:]+`).FindString(line)
	require.NotEmpty(t, url, line)
	req, err := http.NewRequest(http.MethodPut, url+"/v1/recording", strings.NewReader(`{"name": "morning"}`))
	require.NoError(t, err)
	res, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.Equal(t, http.StatusNoContent, res.StatusCode)
	get := func(path string) (int, string) {
		res, err := http.Get(url + path)
		if err != nil {
			return 0, err.Error()
		}
		defer res.Body.Close()
		text, _ := io.ReadAll(res.Body)
		return res.StatusCode, string(text)
	}
	require.Eventually(t, func() bool {
		status, text := get("/healthz")
		return status == http.StatusServiceUnavailable && strings.Contains(text, "no space left")
	}, 20*time.Second, 50*time.Millisecond)
	_, text := get("/metrics")
	require.Contains(t, text, "sawhorse_recordings_failed_total 1")
}

// A run takes the place of an earlier run, whole, and of nothing else.
func TestARunReplacesOnlyRuns(t *testing.T) {
	dir := t.TempDir()
	capture := filepath.Join(dir, "out/healthy/capture.pcapng")
	require.NoError(t, os.MkdirAll(filepath.Dir(capture), 0o755))
	write(t, capture, "a drive")
	r := sawhorse(t, dir, "run", "healthy")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, "out/healthy/capture.pcapng: file already exists, and no run.json of a run beside it")
	text, err := os.ReadFile(capture)
	require.NoError(t, err)
	require.Equal(t, "a drive", string(text))

	require.NoError(t, os.Remove(capture))
	note := write(t, filepath.Join(dir, "out/healthy/note.txt"), "mine")
	for range 2 {
		r = sawhorse(t, dir, "run", "healthy")
		require.Zero(t, r.status, r.errout)
	}
	require.FileExists(t, note)
	plan := filepath.Join(dir, "out/healthy/run.json")
	require.Zero(t, sawhorse(t, dir, "run", "--again", plan).status)

	r = sawhorse(t, dir, "run", "healthy", "--capture", "out/healthy/other.pcapng")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, "the folder has the run of the recording capture.pcapng")
	write(t, plan, "{}")
	r = sawhorse(t, dir, "run", "healthy")
	require.Equal(t, 2, r.status)
	require.Contains(t, r.errout, "is no plan of a run")
}

// What the tool said, true or not, is counted in a file that a collector reads.
func TestMetricsOfRunsAreLeftInAFile(t *testing.T) {
	dir := t.TempDir()
	r := sawhorse(t, dir, "run", "healthy", "--metrics", "runs.prom")
	require.Zero(t, r.status, r.errout)
	text, err := os.ReadFile(filepath.Join(dir, "runs.prom"))
	require.NoError(t, err)
	require.Regexp(t, `(?m)^sawhorse_reported_entries_total\{task="health-check",verdict="true"\} [1-9]`, string(text))
	require.Regexp(t, `(?m)^sawhorse_verdicts_total\{outcome="pass"\} [1-9]`, string(text))
}
