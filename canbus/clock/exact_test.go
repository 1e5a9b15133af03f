package clock

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const us = time.Microsecond

// When a loop must be awake, by the definition: the least of moment plus slack over all
// timers, and of an exact moment less the spin.
func TestALoopSleepsAsLongAsItsTimersAllow(t *testing.T) {
	l := newWall(t)
	require.NoError(t, l.Pace(Pacing{Spin: 100 * us, Slack: 500 * us}))
	check := func(want time.Duration, sharp bool) {
		t.Helper()
		at, s := l.wakeAt()
		assert.Equal(t, want, at)
		assert.Equal(t, sharp, s)
	}
	check(never, false)
	lax := l.NewTimer(PriorityCar, func() {})
	lax.SetSlack(20 * time.Millisecond)
	lax.Set(5000 * us)
	check(25_000*us, false)
	usual := l.At(6000*us, PriorityCar, func() {})
	check(6500*us, false)
	exact := l.NewTimer(PriorityBus, func() {})
	exact.SetExact(6550 * us)
	check(6450*us, true)
	exact.Set(6550 * us)
	check(6500*us, false)
	exact.SetExact(9000 * us)
	check(6500*us, false)
	usual.Stop()
	check(8900*us, true)
	exact.Stop()
	usual.Set(never)
	check(25_000*us, false)
	lax.Stop()
	check(never, false)

	// A visitor may wait for an answer: no slack for a while, but what was given.
	l.visited, l.due = 7000*us, 8000*us
	lax.Set(9000 * us)
	check(29_000*us, false)
	usual.Set(10_000 * us)
	check(10_000*us, false)
	l.due = l.visited + attentive
	check(10_500*us, false)
}

// Whatever may run late runs in its order, dated with its moment, and never early.
func TestSlackKeepsOrderAndDates(t *testing.T) {
	l := newWall(t)
	tr := &trace{l: l}
	for i, name := range []string{"a", "b", "c", "d"} {
		at := time.Duration(i+1) * time.Millisecond
		tm := l.NewTimer(PriorityCar, func() {
			tr.say(name)()
			assert.GreaterOrEqual(t, l.Elapsed(), at)
		})
		tm.SetSlack(time.Duration(4-i) * 2 * time.Millisecond)
		tm.Set(at)
	}
	require.NoError(t, l.Run(context.Background(), 20*time.Millisecond))
	assert.Equal(t, "1ms a, 2ms b, 3ms c, 4ms d", tr.String())
}

// A visitor sees what was due before it came done, however lax it was set.
func TestVisitorsFindLaxEventsDone(t *testing.T) {
	l := newWall(t)
	done := false
	lax := l.NewTimer(PriorityCar, func() { done = true })
	lax.SetSlack(time.Hour)
	lax.Set(time.Millisecond)
	go func() {
		time.Sleep(5 * time.Millisecond)
		_ = l.Post(func() {
			assert.True(t, done)
			assert.Greater(t, l.Now(), time.Millisecond)
			l.Stop()
		})
	}()
	require.NoError(t, l.Run(context.Background(), time.Minute))
	assert.True(t, done)
}

func TestAnEventKnowsThatItIsExact(t *testing.T) {
	l := NewVirtual()
	var got []bool
	note := func() { got = append(got, l.Exact()) }
	l.At(1, PriorityCar, note)
	l.NewTimer(PriorityCar, note).SetExact(2)
	moved := l.NewTimer(PriorityCar, note)
	moved.SetExact(3)
	moved.Set(4)
	runVirtual(t, l, time.Second)
	assert.Equal(t, []bool{false, true, false}, got)
}
