package clock

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func newWall(t *testing.T) *Loop {
	t.Helper()
	l, err := NewWall()
	require.NoError(t, err)
	return l
}

func TestWallRunsEventsAtTheirMoments(t *testing.T) {
	l := newWall(t)
	assert.False(t, l.Virtual())
	assert.Zero(t, l.Start())
	tr := &trace{l: l}
	var early []time.Duration
	for _, ms := range []time.Duration{30, 10, 20} {
		at := ms * time.Millisecond
		l.At(at, PriorityCar, func() {
			tr.say("x")()
			assert.GreaterOrEqual(t, l.Elapsed(), at)
			if since := time.Since(l.Start()); since < at {
				early = append(early, since-at)
			}
		})
	}
	began := time.Now()
	require.NoError(t, l.Run(context.Background(), 40*time.Millisecond))
	assert.GreaterOrEqual(t, time.Since(began), 40*time.Millisecond, "the run lasts to its end")
	assert.Equal(t, "10ms x, 20ms x, 30ms x", tr.String())
	assert.Empty(t, early, "never before its moment")
	assert.Equal(t, 40*time.Millisecond, l.Now())
}

// Each goroutine's posts run in its order, none is lost, and all on the loop's
// goroutine: the race detector watches the slice.
func TestPostFromManyGoroutines(t *testing.T) {
	l := newWall(t)
	const visitors, each = 8, 2000
	var got [visitors][]int
	total := 0
	var wg sync.WaitGroup
	for v := range visitors {
		wg.Go(func() {
			for i := range each {
				err := l.PostWait(context.Background(), func() {
					got[v] = append(got[v], i)
					if total++; total == visitors*each {
						l.Stop()
					}
				})
				if err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	ticks := 0
	var tick *Timer
	tick = l.NewTimer(PriorityCar, func() {
		ticks++
		tick.Set(l.Now() + time.Millisecond)
	})
	tick.Set(0)
	require.NoError(t, l.Run(context.Background(), time.Minute))
	wg.Wait()
	for v := range visitors {
		require.Len(t, got[v], each)
		for i, x := range got[v] {
			require.Equal(t, i, x)
		}
	}
	assert.Positive(t, ticks)
}

// A visitor wakes a loop whose next event is far ahead, and sees the time of its
// coming.
func TestPostWakesASleepingLoop(t *testing.T) {
	l := newWall(t)
	l.At(time.Hour, PriorityCar, func() {})
	var at time.Duration
	go func() {
		time.Sleep(20 * time.Millisecond)
		_ = l.Post(func() {
			at = l.Now()
			l.Stop()
		})
	}()
	began := time.Now()
	require.NoError(t, l.Run(context.Background(), 2*time.Hour))
	assert.GreaterOrEqual(t, at, 10*time.Millisecond)
	assert.LessOrEqual(t, at, time.Since(began))
}

// The end of the context is seen at once, not when the next event is due.
func TestContextEndsAWallRun(t *testing.T) {
	for _, events := range []bool{true, false} {
		l := newWall(t)
		if events {
			l.At(time.Hour, PriorityCar, func() { t.Error("an hour has not passed") })
		}
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- l.Run(ctx, 2*time.Hour) }()
		time.AfterFunc(10*time.Millisecond, cancel)
		select {
		case err := <-ended:
			require.ErrorIs(t, err, context.Canceled)
		case <-time.After(20 * time.Second): // a bound on a hang, not a measure
			t.Fatal("the run goes on without its context")
		}
		require.ErrorIs(t, l.Post(func() {}), ErrStopped)
	}
}

func TestCancelledContextEndsAWallRunBeforeItBegins(t *testing.T) {
	l := newWall(t)
	l.At(0, PriorityCar, func() { t.Error("ran") })
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	require.ErrorIs(t, l.Run(ctx, time.Hour), context.Canceled)
}

// A flood of visitors and due events take turns.
func TestFloodDoesNotHoldUpDueEvents(t *testing.T) {
	l := newWall(t)
	var again func()
	again = func() { _ = l.Post(again) }
	for range 100 {
		require.NoError(t, l.Post(again))
	}
	ticks := 0
	var tick *Timer
	tick = l.NewTimer(PriorityCar, func() {
		if ticks++; ticks == 20 {
			l.Stop()
		}
		tick.Set(l.Now() + time.Millisecond)
	})
	tick.Set(0)
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	require.NoError(t, l.Run(ctx, time.Hour))
	assert.Equal(t, 20, ticks)
}

// A visitor never sees a time beyond an event that has yet to run.
func TestVisitorsDoNotOvertakeEvents(t *testing.T) {
	l := newWall(t)
	var last time.Duration
	forward := func() {
		if l.Now() < last {
			t.Errorf("time went back from %v to %v", last, l.Now())
		}
		last = l.Now()
	}
	var tick *Timer
	tick = l.NewTimer(PriorityCar, func() {
		forward()
		tick.Set(l.Now() + 100*time.Microsecond)
	})
	tick.Set(0)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for l.Post(forward) != ErrStopped {
			time.Sleep(50 * time.Microsecond)
		}
	}()
	require.NoError(t, l.Run(context.Background(), 50*time.Millisecond))
	<-done
}
