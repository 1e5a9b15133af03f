//go:build linux

package tool

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// scriptProfile makes a profile whose one task runs a script of testdata.
func scriptProfile(t *testing.T, command, rest string) *Profile {
	t.Helper()
	p, err := Parse("p.yaml", strings.NewReader("profile: x\ntasks:\n  - task: identify\n    command: "+command+"\n"+rest))
	require.NoError(t, err)
	p.Folder = "testdata/scripts"
	return p
}

// listener collects lines and lets a test wait for one.
type listener struct {
	mu    sync.Mutex
	lines []Line
	news  chan struct{}
}

func newListener() *listener { return &listener{news: make(chan struct{}, 1)} }

func (l *listener) line(x Line) {
	l.mu.Lock()
	l.lines = append(l.lines, x)
	l.mu.Unlock()
	select {
	case l.news <- struct{}{}:
	default:
	}
}

// await waits for a line with the prefix and returns the rest of it.
func (l *listener) await(t *testing.T, prefix string) string {
	t.Helper()
	late := time.After(20 * time.Second)
	for {
		l.mu.Lock()
		for _, x := range l.lines {
			if rest, ok := strings.CutPrefix(x.Text, prefix); ok {
				l.mu.Unlock()
				return strings.TrimSpace(rest)
			}
		}
		l.mu.Unlock()
		select {
		case <-l.news:
		case <-late:
			require.Fail(t, "no such line", prefix)
		}
	}
}

func (l *listener) pid(t *testing.T, prefix string) int {
	n, err := strconv.Atoi(l.await(t, prefix))
	require.NoError(t, err)
	return n
}

// requireGone waits until the process is dead: no such process, or a zombie
// that its foster parent has not fetched yet.
func requireGone(t *testing.T, pid int) {
	t.Helper()
	require.Eventually(t, func() bool {
		b, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "stat"))
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, unix.ESRCH) {
			return true
		}
		_, rest, _ := strings.Cut(string(b), ") ")
		return err == nil && strings.HasPrefix(rest, "Z")
	}, 5*time.Second, 10*time.Millisecond, "process %d lives", pid)
}

// requireNoLeaks runs f and wants as many goroutines and descriptors as before,
// and no zombie of ours.
func requireNoLeaks(t *testing.T, f func()) {
	t.Helper()
	_, _ = exec.Command("/bin/true").Output() // opens what the runtime keeps
	goroutines, files := runtime.NumGoroutine(), descriptors(t)
	f()
	// Not require.Eventually: it has goroutines of its own.
	for end := time.Now().Add(5 * time.Second); runtime.NumGoroutine() > goroutines || descriptors(t) > files; {
		require.True(t, time.Now().Before(end), "%d goroutines (%d before), %d descriptors (%d before)",
			runtime.NumGoroutine(), goroutines, descriptors(t), files)
		time.Sleep(10 * time.Millisecond)
	}
	var ws unix.WaitStatus
	pid, err := unix.Wait4(-1, &ws, unix.WNOHANG, nil)
	require.False(t, err == nil && pid > 0, "zombie %d is left", pid)
}

func descriptors(t *testing.T) int {
	t.Helper()
	d, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	return len(d)
}

func TestProcessSaysAndEnds(t *testing.T) {
	p := scriptProfile(t, `[./talk.sh, "3", "{bus.socket}"]`, "    environment: {WORD: \"at {bus.url}\"}\n    exit: {3: not-connected}\n")
	l := newListener()
	requireNoLeaks(t, func() {
		pr := Start(context.Background(), Invocation{Profile: p, Task: "identify", Values: BusValues("unix:/tmp/car"), OnLine: l.line})
		res := pr.Wait()
		assert.Equal(t, ReasonExited, res.Reason, res)
		assert.Equal(t, 3, res.Status)
		assert.Equal(t, OutcomeNotConnected, res.Outcome)
		assert.Equal(t, "bus unix:/tmp/car\nword at unix:/tmp/car\nargs 3 /tmp/car\nno line feed", string(res.Stdout))
		assert.False(t, res.Truncated)
		assert.Contains(t, l.lines, Line{Stderr: true, Text: "progress"})
		assert.Contains(t, l.lines, Line{Text: "no line feed"})
		assert.Len(t, l.lines, 5)
		assert.Equal(t, "exited with status 3 (not-connected)", res.String())
	})
}

func TestBusOfTheInheritedEnvironmentIsReplaced(t *testing.T) {
	p := scriptProfile(t, "[./talk.sh]", "")
	res := Start(context.Background(), Invocation{Profile: p, Task: "identify", Values: BusValues("can:vcan0"),
		Environment: []string{"SAWHORSE_BUS=can:can0", "WORD=kept", "PATH=" + os.Getenv("PATH")}}).Wait()
	assert.Equal(t, OutcomeOK, res.Outcome)
	assert.Contains(t, string(res.Stdout), "bus can:vcan0\nword kept\n")
}

// TestLimitKillsTheWholeGroup: neither a process nor its child that ignore TERM
// outlive the limit.
// Several commands are one task: done in their order while each ends well, with one
// output.
func TestSeveralCommands(t *testing.T) {
	for commands, want := range map[string]struct {
		status int
		out    string
	}{
		`[[/bin/echo, one], [/bin/sh, -c, "printf two"], [/bin/echo, three]]`: {0, "one\ntwo\nthree\n"},
		`[[/bin/echo, one], [/bin/sh, -c, "exit 3"], [/bin/echo, three]]`:     {3, "one\n"},
	} {
		p, err := Parse("p.yaml", strings.NewReader("profile: x\ntasks:\n  - task: identify\n    commands: "+commands+"\n"))
		require.NoError(t, err)
		in := Invocation{Profile: p, Task: "identify", Values: BusValues("unix:/x")}
		require.NoError(t, in.Check())
		res := Start(context.Background(), in).Wait()
		assert.Equal(t, ReasonExited, res.Reason, res.String())
		assert.Equal(t, want.status, res.Status)
		assert.Equal(t, want.out, string(res.Stdout))
	}
	p, err := Parse("p.yaml", strings.NewReader("profile: x\ntasks:\n  - task: identify\n    commands: [[/bin/sleep, 60], [/bin/echo, two]]\n    limit: 100ms\n"))
	require.NoError(t, err)
	res := Start(context.Background(), Invocation{Profile: p, Task: "identify", Values: BusValues("unix:/x")}).Wait()
	assert.Equal(t, ReasonLimit, res.Reason)
	assert.Empty(t, res.Stdout)
}

func TestLimitKillsTheWholeGroup(t *testing.T) {
	p := scriptProfile(t, "[./stubborn.sh]", "    limit: 700ms\n    grace: 200ms\n")
	l := newListener()
	requireNoLeaks(t, func() {
		res := Start(context.Background(), Invocation{Profile: p, Task: "identify", OnLine: l.line}).Wait()
		assert.Equal(t, ReasonLimit, res.Reason)
		assert.Equal(t, "SIGKILL", res.Signal)
		assert.Equal(t, -1, res.Status)
		assert.Equal(t, OutcomeFailed, res.Outcome)
		assert.Equal(t, "killed at limit (SIGKILL)", res.String())
	})
	requireGone(t, l.pid(t, "child "))
	requireGone(t, l.pid(t, "parent "))
}

func TestCancelTellsTheProcessFirst(t *testing.T) {
	p := scriptProfile(t, "[./polite.sh]", "    grace: 10s\n")
	for name, end := range map[string]func(context.CancelFunc, *Process){
		"context": func(c context.CancelFunc, _ *Process) { c() },
		"stop":    func(_ context.CancelFunc, pr *Process) { pr.Stop(); pr.Stop() },
	} {
		t.Run(name, func(t *testing.T) {
			requireNoLeaks(t, func() {
				ctx, cancel := context.WithCancel(context.Background())
				defer cancel()
				l := newListener()
				pr := Start(ctx, Invocation{Profile: p, Task: "identify", OnLine: l.line})
				l.await(t, "ready")
				end(cancel, pr)
				res := pr.Wait()
				assert.Equal(t, ReasonCancelled, res.Reason)
				assert.Equal(t, 5, res.Status, "it had its time to end well")
				assert.Equal(t, OutcomeFailed, res.Outcome)
				assert.Contains(t, string(res.Stdout), "leaving")
			})
		})
	}
}

func TestShorterLimitOfTheScenarioCounts(t *testing.T) {
	p := scriptProfile(t, "[./polite.sh]", "    limit: 1h\n")
	res := Start(context.Background(), Invocation{Profile: p, Task: "identify", Limit: 300 * time.Millisecond}).Wait()
	assert.Equal(t, ReasonLimit, res.Reason)
}

func TestChildrenLeftBehindAreKilled(t *testing.T) {
	p := scriptProfile(t, "[./orphan.sh]", "    limit: 1m\n")
	l := newListener()
	requireNoLeaks(t, func() {
		res := Start(context.Background(), Invocation{Profile: p, Task: "identify", OnLine: l.line}).Wait()
		assert.Equal(t, ReasonExited, res.Reason)
		assert.Equal(t, OutcomeOK, res.Outcome)
		assert.Contains(t, string(res.Stdout), "done")
	})
	requireGone(t, l.pid(t, "child "))
}

// TestDeserterDoesNotHoldUsUp: a child in a session of its own is out of reach,
// but its hold on the pipe must not hang the run.
func TestDeserterDoesNotHoldUsUp(t *testing.T) {
	if _, err := os.Stat("/usr/bin/setsid"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("setsid is missing")
		}
		t.Skip("setsid is missing")
	}
	p := scriptProfile(t, "[./deserter.sh]", "    limit: 1m\n")
	requireNoLeaks(t, func() {
		res := Start(context.Background(), Invocation{Profile: p, Task: "identify"}).Wait()
		assert.Equal(t, ReasonExited, res.Reason)
	})
}

func TestSignalFromElsewhere(t *testing.T) {
	p := scriptProfile(t, "[./suicide.sh]", "")
	res := Start(context.Background(), Invocation{Profile: p, Task: "identify"}).Wait()
	assert.Equal(t, ReasonSignalled, res.Reason)
	assert.Equal(t, "SIGUSR1", res.Signal)
	assert.Equal(t, OutcomeFailed, res.Outcome)
}

func TestFloodIsBounded(t *testing.T) {
	p := scriptProfile(t, "[./flood.sh]", "")
	l := newListener()
	res := Start(context.Background(), Invocation{Profile: p, Task: "identify", OnLine: l.line}).Wait()
	assert.Equal(t, ReasonExited, res.Reason, "the tool could print all it wanted")
	assert.True(t, res.Truncated)
	assert.Len(t, res.Stdout, MaxOutput)
	require.NotEmpty(t, l.lines)
	for _, x := range l.lines {
		assert.LessOrEqual(t, len(x.Text), MaxLine)
		if !x.Stderr {
			assert.True(t, x.Cut)
		}
	}
	l.await(t, "end")
}

func TestWhatCannotStart(t *testing.T) {
	run := func(p *Profile, task string, v Values) *Result {
		return Start(context.Background(), Invocation{Profile: p, Task: task, Values: v}).Wait()
	}
	requireNoLeaks(t, func() {
		res := run(scriptProfile(t, "[./nobody.sh]", ""), "identify", Values{})
		assert.Equal(t, ReasonNotStarted, res.Reason)
		require.ErrorIs(t, res.Err, fs.ErrNotExist)
		assert.Equal(t, -1, res.Status)
		res = run(scriptProfile(t, "[no-such-program-anywhere]", ""), "identify", Values{})
		assert.Equal(t, ReasonNotStarted, res.Reason)
		require.Error(t, res.Err)
		res = run(scriptProfile(t, `[./talk.sh, "{bus.interface}"]`, ""), "identify", BusValues("unix:/x"))
		assert.Equal(t, ReasonNotStarted, res.Reason)
		require.ErrorContains(t, res.Err, "has no value on bus")
		res = run(scriptProfile(t, "[./talk.sh]", ""), "read-live", Values{})
		assert.Equal(t, ReasonNotApplicable, res.Reason)
		require.NoError(t, res.Err)
		assert.Nil(t, res.Entry)
		ext, err := Load("testdata/good/external.yaml")
		require.NoError(t, err)
		res = run(ext, "read-codes", Values{})
		assert.Equal(t, ReasonNotStarted, res.Reason)
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		res = Start(ctx, Invocation{Profile: scriptProfile(t, "[./talk.sh]", ""), Task: "identify"}).Wait()
		assert.Equal(t, ReasonNotStarted, res.Reason)
		require.ErrorIs(t, res.Err, context.Canceled)
	})
}

func TestBareNamesAreFoundInFoldersFirst(t *testing.T) {
	p := scriptProfile(t, "[talk.sh]", "")
	res := Start(context.Background(), Invocation{Profile: p, Task: "identify", Folders: []string{"testdata/good", "testdata/scripts"}}).Wait()
	assert.Equal(t, ReasonExited, res.Reason, res)
}

func TestManyAtOnce(t *testing.T) {
	p := scriptProfile(t, "[./talk.sh]", "")
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			res := Start(context.Background(), Invocation{Profile: p, Task: "identify", OnLine: func(Line) {}}).Wait()
			assert.Equal(t, ReasonExited, res.Reason)
		})
	}
	wg.Wait()
}

func TestLinesAreCutWhereverTheyCome(t *testing.T) {
	var got []Line
	r := &reader{report: func(l Line) { got = append(got, l) }, keep: true}
	r.read(strings.NewReader("a\n\r\n" + strings.Repeat("b", MaxLine+5) + "\nc"))
	require.Len(t, got, 4)
	assert.Equal(t, []Line{{Text: "a"}, {Text: ""}}, got[:2])
	assert.Len(t, got[2].Text, MaxLine)
	assert.True(t, got[2].Cut)
	assert.Equal(t, Line{Text: "c"}, got[3])
}
