package clock

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"runtime"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"
)

// waiter sleeps until a moment or a wake-up, whichever is first. It polls an
// event descriptor with an absolute deadline recomputed at each sleep, on a
// locked thread with the least timer slack.
type waiter struct {
	fd      int
	start   time.Time
	started atomic.Bool
	asleep  atomic.Bool
	closed  atomic.Bool
	ended   atomic.Bool // the context has
	unhook  func() bool
	pacing  Pacing
}

func newWaiter() (*waiter, error) {
	fd, err := unix.Eventfd(0, unix.EFD_NONBLOCK|unix.EFD_CLOEXEC)
	if err != nil {
		return nil, err
	}
	w := &waiter{fd: fd, pacing: Pacing{Spin: DefaultSpin}}
	// The descriptor stays open until the waiter is collected, since a late Post
	// may still hold its number; a loop that never ran gives it back as well.
	runtime.SetFinalizer(w, func(w *waiter) { _ = unix.Close(w.fd) })
	return w, nil
}

func (w *waiter) begin(ctx context.Context) error {
	runtime.LockOSThread()
	if w.pacing.Realtime > 0 {
		// The thread is the loop's own until close gives it back.
		if err := schedule(schedFIFO, w.pacing.Realtime); err != nil {
			runtime.UnlockOSThread()
			return fmt.Errorf("real-time scheduling with priority %d (needs the privilege CAP_SYS_NICE): %w", w.pacing.Realtime, err)
		}
	}
	// Slack of 1 ns instead of 50 us; a kernel that refuses costs accuracy only.
	_ = unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0)
	w.start = time.Now()
	w.started.Store(true)
	w.unhook = context.AfterFunc(ctx, func() {
		w.ended.Store(true)
		w.wake()
	})
	return nil
}

// Scheduling policies of Linux (sched(7)).
const (
	schedOther = 0
	schedFIFO  = 1
)

// schedule sets the policy of the calling thread.
func schedule(policy uint32, priority int) error {
	return unix.SchedSetAttr(0, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: policy, Priority: uint32(priority)}, 0)
}

func (w *waiter) startTime() time.Time {
	if !w.started.Load() {
		return time.Time{}
	}
	return w.start
}

func (w *waiter) elapsed() time.Duration { return time.Since(w.start) }

// wake ends a sleep from another goroutine.
func (w *waiter) wake() {
	if !w.asleep.Load() || w.closed.Load() {
		return
	}
	var one [8]byte
	binary.NativeEndian.PutUint64(one[:], 1)
	_, _ = unix.Write(w.fd, one[:]) // EAGAIN means that it is awake already
	runtime.KeepAlive(w)            // or its finalizer could close the number first
}

// until waits for the moment t while idle holds; true when the caller should
// look at its inbox again before the moment has come.
func (w *waiter) until(t time.Duration, idle func() bool) bool {
	for {
		left := t - w.elapsed()
		switch {
		case left <= 0:
			return false
		case !idle() || w.ended.Load():
			return true
		case left > w.pacing.Spin:
			w.sleep(left-w.pacing.Spin, idle)
		}
	}
}

// sleep returns after d, at a wake-up, or at once when there is work. It looks
// at idle again after it has said that it sleeps: a visitor either sees that and
// wakes it, or came before and is seen here.
func (w *waiter) sleep(d time.Duration, idle func() bool) {
	w.asleep.Store(true)
	defer w.asleep.Store(false)
	if !idle() || w.ended.Load() {
		return
	}
	ts := unix.NsecToTimespec(int64(min(d, time.Second)))
	fds := []unix.PollFd{{Fd: int32(w.fd), Events: unix.POLLIN}}
	n, err := unix.Ppoll(fds, &ts, nil)
	if err != nil && !errors.Is(err, unix.EINTR) {
		time.Sleep(min(d, time.Millisecond))
	}
	if n > 0 {
		var b [8]byte
		_, _ = unix.Read(w.fd, b[:])
	}
}

func (w *waiter) close() {
	if w.unhook != nil {
		w.unhook()
	}
	w.closed.Store(true) // so that a late Post does not write to it
	if w.pacing.Realtime > 0 {
		_ = schedule(schedOther, 0) // less is always allowed
	}
	runtime.UnlockOSThread()
}
