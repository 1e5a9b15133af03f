package clock

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"sync/atomic"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// waiter sleeps until a moment or a wake-up, whichever is first. There are two ways
// to sleep. The usual one parks the goroutine on a timer's descriptor: the runtime
// then has nothing to watch and sleeps as well. A thread that waits in a system call
// of its own wakes a little sooner, which counts before an exact appointment, but has
// the runtime look after it many times a millisecond.
type waiter struct {
	fd      int // a timer that anybody may let run out to end a sleep
	file    *os.File
	conn    syscall.RawConn
	start   time.Time
	started atomic.Bool
	asleep  atomic.Bool
	closed  atomic.Bool
	ended   atomic.Bool // the context has
	unhook  func() bool
	pacing  Pacing
}

func newWaiter() (*waiter, error) {
	fd, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return nil, err
	}
	// The descriptor stays open until the file is collected, since a late Post may
	// still hold its number; a loop that never ran gives it back as well.
	w := &waiter{fd: fd, file: os.NewFile(uintptr(fd), "timer"), pacing: defaultPacing}
	if w.conn, err = w.file.SyscallConn(); err != nil {
		return nil, errors.Join(err, w.file.Close())
	}
	return w, nil
}

func (w *waiter) begin(ctx context.Context) error {
	if w.pacing.Realtime > 0 {
		// The thread is the loop's own until close gives it back.
		runtime.LockOSThread()
		if err := schedule(schedFIFO, w.pacing.Realtime); err != nil {
			runtime.UnlockOSThread()
			return fmt.Errorf("real-time scheduling with priority %d (needs the privilege CAP_SYS_NICE): %w", w.pacing.Realtime, err)
		}
	}
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
	if w.asleep.Load() && !w.closed.Load() {
		w.arm(1)
	}
}

// arm has the timer run out after d. Like take it never waits, so that the runtime
// need not be told of the system call: it would begin to watch.
func (w *waiter) arm(d time.Duration) {
	spec := unix.ItimerSpec{Value: unix.NsecToTimespec(int64(d))}
	_, _, _ = unix.RawSyscall6(unix.SYS_TIMERFD_SETTIME, uintptr(w.fd), 0, uintptr(unsafe.Pointer(&spec)), 0, 0, 0)
	runtime.KeepAlive(w) // or its file could be collected, and the number be another's
}

// take reads a timer that has run out; false if it has not.
func take(fd uintptr) bool {
	var n [8]byte
	_, _, errno := unix.RawSyscall(unix.SYS_READ, fd, uintptr(unsafe.Pointer(&n)), unsafe.Sizeof(n))
	return errno != unix.EAGAIN
}

// until waits for the moment t while idle holds; true when the caller should look at
// its inbox again before the moment has come. It sleeps until wake, which is later than
// t where that may be, and before it where the clock is to be watched for an exact
// appointment.
func (w *waiter) until(t, wake time.Duration, sharp bool, idle func() bool) bool {
	for {
		now := w.elapsed()
		switch {
		case now >= t:
			return false
		case !idle() || w.ended.Load():
			return true
		case wake > now:
			w.sleep(wake-now, sharp || w.pacing.Realtime > 0, idle)
		}
	}
}

// longest is for a sleep that nothing but a wake-up ends.
const longest = time.Hour

// sleep returns after d, at a wake-up, or at once when there is work. It looks
// at idle again after it has said that it sleeps and set the timer: a visitor either
// sees that and wakes it, or came before and is seen here.
func (w *waiter) sleep(d time.Duration, sharp bool, idle func() bool) {
	w.asleep.Store(true)
	defer w.asleep.Store(false)
	w.arm(min(d, longest))
	if !idle() || w.ended.Load() {
		return
	}
	if sharp {
		w.poll()
	}
	if err := w.conn.Read(take); err != nil {
		time.Sleep(min(d, time.Millisecond))
	}
}

// poll waits in the kernel for the timer.
func (w *waiter) poll() {
	fds := []unix.PollFd{{Fd: int32(w.fd), Events: unix.POLLIN}}
	for {
		if _, err := unix.Ppoll(fds, nil, nil); !errors.Is(err, unix.EINTR) {
			return
		}
	}
}

func (w *waiter) close() {
	if w.unhook != nil {
		w.unhook()
	}
	w.closed.Store(true) // so that a late Post does not set the timer
	if w.pacing.Realtime > 0 {
		_ = schedule(schedOther, 0) // less is always allowed
		runtime.UnlockOSThread()
	}
}
