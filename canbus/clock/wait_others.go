//go:build !linux

package clock

import (
	"context"
	"errors"
	"sync/atomic"
	"time"
)

// waiter is the portable form: a timer and a channel, late by about a
// millisecond.
type waiter struct {
	start   time.Time
	started atomic.Bool
	signal  chan struct{}
	unhook  func() bool
	pacing  Pacing
}

func newWaiter() (*waiter, error) {
	return &waiter{signal: make(chan struct{}, 1), pacing: defaultPacing}, nil
}

func (w *waiter) begin(ctx context.Context) error {
	if w.pacing.Realtime > 0 {
		return errors.New("real-time scheduling is for Linux only")
	}
	w.start = time.Now()
	w.started.Store(true)
	w.unhook = context.AfterFunc(ctx, w.wake)
	return nil
}

func (w *waiter) startTime() time.Time {
	if !w.started.Load() {
		return time.Time{}
	}
	return w.start
}

func (w *waiter) elapsed() time.Duration { return time.Since(w.start) }

func (w *waiter) wake() {
	select {
	case w.signal <- struct{}{}:
	default:
	}
}

func (w *waiter) until(t, _ time.Duration, _ bool, idle func() bool) bool {
	if !idle() {
		return true
	}
	tm := time.NewTimer(t - w.elapsed())
	defer tm.Stop()
	select {
	case <-tm.C:
		return false
	case <-w.signal:
		return true
	}
}

func (w *waiter) close() { w.unhook() }
