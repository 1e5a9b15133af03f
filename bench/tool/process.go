package tool

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// EnvBus names the environment variable with the URL of the bus.
const EnvBus = "SAWHORSE_BUS"

// Bounds of a process's output.
const (
	MaxLine   = 1 << 20  // bytes of a line; the rest of a longer one is dropped
	MaxOutput = 16 << 20 // bytes of a stream; more is read and dropped
	maxLines  = 200_000  // lines of a stream; more are not reported one by one
)

// Invocation is one task to start.
type Invocation struct {
	Profile *Profile
	Task    string
	// Values fill the placeholders; Values.BusURL also becomes EnvBus.
	Values Values
	// Environment is what the process inherits, as os.Environ has it, which nil
	// stands for. The profile's own variables and EnvBus are added.
	Environment []string
	// Folders are searched before PATH for a command without a slash.
	Folders []string
	// Limit replaces the profile's if it is shorter; 0 leaves that.
	Limit time.Duration
	// OnLine, if set, is called for each line as it comes, by one goroutine at a
	// time and never after Wait has returned. It may block for a while, which
	// holds up the process, but not for good: Wait waits for it.
	OnLine func(Line)
	// OnStarved, if set, is called when the process, or a child of it, had to wait for
	// a processor or was stopped, with how long; on Linux only.
	OnStarved func(by time.Duration)
}

// BusValues splits a bus URL into the values of the bus placeholders.
func BusValues(url string) Values {
	v := Values{BusURL: url}
	if p, ok := strings.CutPrefix(url, "unix:"); ok {
		v.SocketPath = p
	}
	if p, ok := strings.CutPrefix(url, "can:"); ok {
		v.Interface = p
	}
	return v
}

// Line is one line of output without its end.
type Line struct {
	// Stderr tells standard error from standard output.
	Stderr bool
	Text   string
	// Cut reports that the line was longer than MaxLine.
	Cut bool
}

// Reason says how a task ended.
type Reason string

// The reasons.
const (
	ReasonExited        Reason = "exited"          // by itself, with a status
	ReasonLimit         Reason = "killed at limit" // its time was over
	ReasonCancelled     Reason = "cancelled"       // the context ended or Stop was called
	ReasonSignalled     Reason = "signalled"       // killed by somebody else
	ReasonNotStarted    Reason = "could not start"
	ReasonNotApplicable Reason = "not applicable" // the profile has no such task
)

// Result is how a task ended and what it printed.
type Result struct {
	Reason Reason
	// Status is the exit status, -1 where the process had none.
	Status int
	// Signal names the signal that ended it, "" if none did.
	Signal string
	// Outcome is what the profile says of the status; OutcomeFailed for every
	// end but ReasonExited.
	Outcome Outcome
	// Stdout is what it printed there, at most MaxOutput bytes; Truncated
	// reports that there was more on either stream.
	Stdout    []byte
	Truncated bool
	// Entry is the profile's entry, nil if not applicable.
	Entry *Entry
	// Err says why it could not start.
	Err error
}

// String says it in one line.
func (r *Result) String() string {
	switch {
	case r.Err != nil:
		return fmt.Sprintf("%s: %v", r.Reason, r.Err)
	case r.Reason == ReasonExited:
		return fmt.Sprintf("exited with status %d (%s)", r.Status, r.Outcome)
	case r.Signal != "":
		return fmt.Sprintf("%s (%s)", r.Reason, r.Signal)
	}
	return string(r.Reason)
}

// Process is a task under way.
type Process struct {
	done   chan struct{}
	stop   chan struct{}
	result Result
}

// Start starts the task. It always returns a Process: one that could not start
// is done at once and its Result says why. The process gets a group of its own
// and is killed with it at its limit, when ctx ends, and when it has exited but
// left children behind.
func Start(ctx context.Context, in Invocation) *Process {
	p := &Process{done: make(chan struct{}), stop: make(chan struct{}, 1)}
	p.result = Result{Reason: ReasonNotStarted, Status: -1, Outcome: OutcomeFailed}
	entry, ok := in.Profile.EntryFor(in.Task, &in.Values)
	if !ok {
		p.result.Reason = ReasonNotApplicable
		close(p.done)
		return p
	}
	p.result.Entry = entry
	in.Limit = in.limit(entry)
	in.Values.Limit = in.Limit
	cmds, err := in.build(entry)
	if err == nil {
		err = ctx.Err()
	}
	switch {
	case err == nil && len(cmds) > 1:
		go p.sequence(ctx, cmds, in, entry)
		return p
	case err == nil:
		err = p.launch(ctx, cmds[0], in, entry)
	}
	if err != nil {
		p.result.Err = err
		close(p.done)
	}
	return p
}

// limit is the time that the task has.
func (in *Invocation) limit(e *Entry) time.Duration {
	if in.Limit > 0 {
		return min(in.Limit, e.Limit)
	}
	return e.Limit
}

// sequence does several commands one after the other, within one limit. It ends with
// the first that does not end well; what all have printed counts as one output.
func (p *Process) sequence(ctx context.Context, cmds []*exec.Cmd, in Invocation, e *Entry) {
	defer close(p.done)
	end := time.Now().Add(in.Limit)
	var out []byte
	truncated := false
	for _, cmd := range cmds {
		q := &Process{done: make(chan struct{}), stop: make(chan struct{}, 1), result: p.result}
		in.Limit = max(time.Until(end), time.Millisecond)
		if err := q.launch(ctx, cmd, in, e); err != nil {
			p.result.Reason, p.result.Outcome, p.result.Err = ReasonNotStarted, OutcomeFailed, err
			return
		}
		select {
		case <-q.done:
		case <-p.stop:
			q.Stop()
			<-q.done
		}
		p.result = q.result
		if n := len(out); n > 0 && out[n-1] != '\n' {
			out = append(out, '\n')
		}
		out = append(out, q.result.Stdout...)
		truncated = truncated || q.result.Truncated
		p.result.Stdout, p.result.Truncated = out, truncated
		if p.result.Reason != ReasonExited || p.result.Outcome != OutcomeOK {
			return
		}
	}
}

// Check reports what would keep the task from starting: a placeholder without a
// value, a program that is not there. A task that the profile lacks is fine.
func (in *Invocation) Check() error {
	entry, ok := in.Profile.EntryFor(in.Task, &in.Values)
	if !ok || in.Profile.Kind != KindProcess {
		return nil
	}
	in.Values.Limit = in.limit(entry)
	cmds, err := in.build(entry)
	if err != nil {
		return fmt.Errorf("task %s of tool %s: %w", in.Task, in.Profile.Name, err)
	}
	for _, cmd := range cmds {
		if _, err := exec.LookPath(cmd.Path); err != nil {
			return fmt.Errorf("task %s of tool %s: %w", in.Task, in.Profile.Name, err)
		}
	}
	return nil
}

// Wait waits for the end of the task.
func (p *Process) Wait() *Result {
	<-p.done
	return &p.result
}

// Stop ends the task before its limit; Wait tells when it has ended.
func (p *Process) Stop() {
	select {
	case p.stop <- struct{}{}:
	default:
	}
}

// build makes the command lines and the environment.
func (in *Invocation) build(e *Entry) ([]*exec.Cmd, error) {
	if in.Profile.Kind != KindProcess {
		return nil, errors.New("an external tool has no command; it is on the bus already")
	}
	var list []*exec.Cmd
	for _, c := range e.commands {
		cmd, err := in.command(e, c)
		if err != nil {
			return nil, err
		}
		list = append(list, cmd)
	}
	return list, nil
}

func (in *Invocation) command(e *Entry, command []template) (*exec.Cmd, error) {
	var argv []string
	for _, t := range command {
		a, err := t.expand(in.Values, e.words)
		if err != nil {
			return nil, err
		}
		argv = append(argv, a)
	}
	program, err := in.find(argv[0])
	if err != nil {
		return nil, err
	}
	cmd := exec.Command(program, argv[1:]...)
	cmd.Args[0] = argv[0]
	base := in.Environment
	if base == nil {
		base = os.Environ()
	}
	for _, kv := range base {
		if !strings.HasPrefix(kv, EnvBus+"=") {
			cmd.Env = append(cmd.Env, kv)
		}
	}
	for _, v := range e.environment {
		s, err := v.value.expand(in.Values, e.words)
		if err != nil {
			return nil, err
		}
		cmd.Env = append(cmd.Env, v.name+"="+s)
	}
	cmd.Env = append(cmd.Env, EnvBus+"="+in.Values.BusURL)
	return cmd, nil
}

// find locates the program: an absolute path as it is, a relative one with a
// slash from the profile's folder, a bare name in Folders and then in PATH.
func (in *Invocation) find(name string) (string, error) {
	if filepath.IsAbs(name) {
		return name, nil
	}
	if strings.ContainsRune(name, filepath.Separator) {
		return filepath.Abs(filepath.Join(in.Profile.Folder, name))
	}
	for _, dir := range in.Folders {
		p, err := filepath.Abs(filepath.Join(dir, name))
		if err != nil {
			return "", err
		}
		if st, err := os.Stat(p); err == nil && !st.IsDir() && st.Mode()&0o111 != 0 {
			return p, nil
		}
	}
	return exec.LookPath(name)
}
