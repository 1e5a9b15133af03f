package tool

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// drainTime is how long output may still come after the whole group was killed:
// only a process that left the group can hold the pipe open then.
const drainTime = time.Second

// launch starts the process and the goroutines that watch it.
func (p *Process) launch(ctx context.Context, cmd *exec.Cmd, in Invocation, e *Entry) error {
	var files [4]*os.File // stdout read, write, stderr read, write
	closeAll := func(fs ...*os.File) {
		for _, f := range fs {
			if f != nil {
				f.Close()
			}
		}
	}
	for i := 0; i < 4; i += 2 {
		r, w, err := os.Pipe()
		if err != nil {
			closeAll(files[:]...)
			return err
		}
		files[i], files[i+1] = r, w
	}
	cmd.Stdout, cmd.Stderr = files[1], files[3]
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		closeAll(files[:]...)
		return err
	}
	closeAll(files[1], files[3])
	w := &watch{p: p, cmd: cmd, limit: in.Limit, grace: e.Grace, entry: e, starved: in.OnStarved}
	var lock sync.Mutex
	report := func(l Line) {
		if in.OnLine != nil {
			lock.Lock()
			defer lock.Unlock()
			in.OnLine(l)
		}
	}
	w.out = &reader{file: files[0], report: report, keep: true}
	w.err = &reader{file: files[2], report: report, stderr: true}
	go w.run(ctx)
	return nil
}

// watch sees one process to its end.
type watch struct {
	p            *Process
	cmd          *exec.Cmd
	limit, grace time.Duration
	entry        *Entry
	starved      func(time.Duration)
	out, err     *reader
}

func (w *watch) run(ctx context.Context) {
	defer close(w.p.done)
	var readers sync.WaitGroup
	readers.Go(w.out.run)
	readers.Go(w.err.run)
	pid := w.cmd.Process.Pid
	exited := make(chan struct{})
	go func() {
		defer close(exited)
		waitUnreaped(pid)
	}()
	if w.starved != nil {
		s := &starvation{pid: pid, tell: w.starved}
		go s.watch(exited)
	}
	reason := w.await(ctx, exited, pid)
	// The leader is dead but not reaped, so its group's number cannot belong to
	// anybody else: whoever is left in the group is its child.
	_ = unix.Kill(-pid, unix.SIGKILL)
	_ = w.cmd.Wait()
	drained := make(chan struct{})
	go func() { readers.Wait(); close(drained) }()
	t := time.NewTimer(drainTime)
	defer t.Stop()
	select {
	case <-drained:
	case <-t.C:
	}
	w.out.file.Close()
	w.err.file.Close()
	<-drained
	w.conclude(reason)
}

// await waits for the end of the process, and makes it end when its time is over.
func (w *watch) await(ctx context.Context, exited <-chan struct{}, pid int) Reason {
	limit := time.NewTimer(w.limit)
	defer limit.Stop()
	var reason Reason
	select {
	case <-exited:
		return ReasonExited
	case <-limit.C:
		reason = ReasonLimit
	case <-ctx.Done():
		reason = ReasonCancelled
	case <-w.p.stop:
		reason = ReasonCancelled
	}
	_ = unix.Kill(-pid, unix.SIGTERM)
	grace := time.NewTimer(w.grace)
	defer grace.Stop()
	select {
	case <-exited:
	case <-grace.C:
		_ = unix.Kill(-pid, unix.SIGKILL)
		<-exited
	}
	return reason
}

func (w *watch) conclude(reason Reason) {
	r := &w.p.result
	r.Reason = reason
	r.Stdout = w.out.kept
	r.Truncated = w.out.truncated || w.err.truncated
	if ws, ok := w.cmd.ProcessState.Sys().(syscall.WaitStatus); ok && ws.Signaled() {
		r.Signal = unix.SignalName(ws.Signal())
		if reason == ReasonExited {
			r.Reason = ReasonSignalled
		}
	} else {
		r.Status = w.cmd.ProcessState.ExitCode()
	}
	if r.Reason == ReasonExited {
		r.Outcome = w.entry.Outcome(r.Status)
	}
}

// waitUnreaped waits until the process has ended and leaves it a zombie.
func waitUnreaped(pid int) {
	for {
		err := unix.Waitid(unix.P_PID, pid, nil, unix.WEXITED|unix.WNOWAIT, nil)
		if !errors.Is(err, unix.EINTR) {
			return
		}
	}
}
