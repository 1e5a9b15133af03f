package clock

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// trace collects what ran and when.
type trace struct {
	l     *Loop
	lines []string
}

func (tr *trace) say(what string) func() {
	return func() { tr.lines = append(tr.lines, fmt.Sprintf("%v %s", tr.l.Now(), what)) }
}

func (tr *trace) String() string { return strings.Join(tr.lines, ", ") }

func runVirtual(t *testing.T, l *Loop, until time.Duration) {
	t.Helper()
	require.NoError(t, l.Run(context.Background(), until))
}

// With a heap ordered by time alone, equal times come out as A D C B.
func TestEqualTimesKeepTheOrderOfSetting(t *testing.T) {
	l := NewVirtual()
	tr := &trace{l: l}
	for _, name := range []string{"A", "B", "C", "D", "E", "F", "G", "H"} {
		l.At(time.Second, PriorityCar, tr.say(name))
	}
	l.At(time.Millisecond, PriorityCar, tr.say("before"))
	runVirtual(t, l, time.Minute)
	assert.Equal(t, "1ms before, 1s A, 1s B, 1s C, 1s D, 1s E, 1s F, 1s G, 1s H", tr.String())
}

func TestPriorityOrdersOneMoment(t *testing.T) {
	l := NewVirtual()
	tr := &trace{l: l}
	l.At(time.Second, PriorityJudge, tr.say("judge"))
	l.At(time.Second, PriorityTool, tr.say("tool"))
	l.At(time.Second, PriorityECU, tr.say("ecu"))
	l.At(time.Second, PriorityCar, func() {
		tr.say("car")()
		// What is set from within its moment comes in its turn, first of those left.
		l.At(time.Second, PriorityBus, tr.say("bus again"))
	})
	l.At(time.Second, PriorityFault, tr.say("fault"))
	l.At(time.Second, PriorityBus, tr.say("bus"))
	runVirtual(t, l, time.Minute)
	assert.Equal(t, "1s bus, 1s fault, 1s car, 1s bus again, 1s ecu, 1s tool, 1s judge", tr.String())
}

func TestVirtualTimeElapsesWithEvents(t *testing.T) {
	l := NewVirtual()
	assert.Zero(t, l.Start())
	l.At(time.Second, PriorityCar, func() { assert.Equal(t, time.Second, l.Elapsed()) })
	runVirtual(t, l, time.Minute)
	assert.Equal(t, time.Minute, l.Elapsed())
}

func TestTimersMoveAndStop(t *testing.T) {
	l := NewVirtual()
	tr := &trace{l: l}
	a := l.At(time.Second, PriorityCar, tr.say("a"))
	b := l.At(2*time.Second, PriorityCar, tr.say("b"))
	c := l.At(3*time.Second, PriorityCar, tr.say("c"))
	a.Set(4 * time.Second)
	b.Stop()
	c.Set(500 * time.Millisecond)
	assert.True(t, a.Active())
	assert.Equal(t, 4*time.Second, a.When())
	assert.False(t, b.Active())
	b.Stop() // twice is no harm
	runVirtual(t, l, time.Minute)
	assert.Equal(t, "500ms c, 4s a", tr.String())
	assert.False(t, a.Active())
	assert.Equal(t, uint64(2), l.Events())
}

func TestSettingToTheSameTimeKeepsThePlace(t *testing.T) {
	l := NewVirtual()
	tr := &trace{l: l}
	a := l.At(time.Second, PriorityCar, tr.say("a"))
	l.At(time.Second, PriorityCar, tr.say("b"))
	a.Set(time.Second)
	c := l.At(time.Second, PriorityCar, tr.say("c"))
	l.At(time.Second, PriorityCar, tr.say("d"))
	c.Set(2 * time.Second)
	c.Set(time.Second) // moved away and back: behind d
	runVirtual(t, l, time.Minute)
	assert.Equal(t, "1s a, 1s b, 1s d, 1s c", tr.String())
}

func TestThePastMeansNow(t *testing.T) {
	l := NewVirtual()
	tr := &trace{l: l}
	l.At(time.Second, PriorityCar, func() {
		l.At(0, PriorityCar, tr.say("late"))
		l.At(time.Second, PriorityCar, tr.say("now"))
	})
	l.At(time.Second, PriorityCar, tr.say("due"))
	runVirtual(t, l, time.Minute)
	assert.Equal(t, "1s due, 1s late, 1s now", tr.String())
}

func TestTimerSetsItself(t *testing.T) {
	l := NewVirtual()
	n := 0
	var tick *Timer
	tick = l.NewTimer(PriorityCar, func() {
		n++
		tick.Set(l.Now() + 5*time.Millisecond)
	})
	tick.Set(0)
	runVirtual(t, l, time.Second)
	assert.Equal(t, 201, n, "0 to 1 s in steps of 5 ms, both ends")
}

func TestVirtualRunEnds(t *testing.T) {
	t.Run("when empty, with the time over", func(t *testing.T) {
		l := NewVirtual()
		l.At(time.Second, PriorityCar, func() {})
		runVirtual(t, l, time.Hour)
		assert.Equal(t, time.Hour, l.Now())
	})
	t.Run("before what is later", func(t *testing.T) {
		l := NewVirtual()
		l.At(time.Second+1, PriorityCar, func() { t.Error("ran beyond the end") })
		runVirtual(t, l, time.Second)
		assert.Equal(t, time.Second, l.Now())
		assert.Zero(t, l.Events())
	})
	t.Run("at Stop, behind the running event", func(t *testing.T) {
		l := NewVirtual()
		l.At(time.Second, PriorityCar, l.Stop)
		l.At(time.Second, PriorityCar, func() { t.Error("ran after Stop") })
		runVirtual(t, l, time.Hour)
		assert.Equal(t, time.Second, l.Now())
	})
	t.Run("at the budget", func(t *testing.T) {
		l := NewVirtual()
		l.SetBudget(10)
		var again *Timer
		again = l.NewTimer(PriorityCar, func() { again.Set(l.Now()) })
		again.Set(0)
		err := l.Run(context.Background(), time.Hour)
		require.ErrorIs(t, err, ErrBudget)
		assert.ErrorContains(t, err, "10 events")
	})
	t.Run("at the context's end", func(t *testing.T) {
		l := NewVirtual()
		ctx, cancel := context.WithCancel(context.Background())
		var again *Timer
		again = l.NewTimer(PriorityCar, func() {
			if l.Events() == 1000 {
				cancel()
			}
			again.Set(l.Now())
		})
		again.Set(0)
		require.ErrorIs(t, l.Run(ctx, time.Hour), context.Canceled)
		assert.Less(t, l.Events(), uint64(2000))
	})
}

func TestEndedLoopTakesNothing(t *testing.T) {
	l := NewVirtual()
	runVirtual(t, l, 0)
	require.ErrorIs(t, l.Post(func() {}), ErrStopped)
	for range 100 { // the inbox has room, but nobody would read it
		require.ErrorIs(t, l.PostWait(context.Background(), func() {}), ErrStopped)
	}
}

func TestInboxIsBounded(t *testing.T) {
	l := NewVirtual()
	n := 0
	for range InboxSize {
		require.NoError(t, l.Post(func() { n++ }))
	}
	require.ErrorIs(t, l.Post(func() {}), ErrInboxFull)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	require.ErrorIs(t, l.PostWait(ctx, func() {}), context.Canceled)
	l.At(0, PriorityBus, func() { assert.Equal(t, InboxSize, n, "visitors come before what is due") })
	runVirtual(t, l, time.Second)
	assert.Equal(t, InboxSize, n)
}

// A visitor that comes back at once must not hold up the run.
func TestVisitorsDoNotStarveEvents(t *testing.T) {
	l := NewVirtual()
	var again func()
	again = func() { _ = l.Post(again) }
	for range 10 {
		require.NoError(t, l.Post(again))
	}
	l.At(time.Second, PriorityCar, l.Stop)
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	require.NoError(t, l.Run(ctx, time.Hour))
	assert.Equal(t, time.Second, l.Now())
}

func TestMovedTimersLeaveNoTrail(t *testing.T) {
	l := NewVirtual()
	fired := 0
	far := l.NewTimer(PriorityCar, func() { fired++ })
	n, most := 0, 0
	var tick *Timer
	tick = l.NewTimer(PriorityBus, func() {
		far.Set(l.Now() + time.Hour)
		most = max(most, len(l.q.es))
		if n++; n < 100_000 {
			tick.Set(l.Now() + time.Millisecond)
		}
	})
	tick.Set(0)
	runVirtual(t, l, 10*time.Hour)
	assert.Equal(t, 1, fired)
	assert.LessOrEqual(t, most, 2, "two timers, moved a hundred thousand times")
}

// oracleTimer is one timer of a loop that sorts a slice before every event.
type oracleTimer struct {
	at  time.Duration
	pri Priority
	seq int
	set bool
}

type op struct {
	timer int
	at    time.Duration
	stop  bool
}

// Random programs: each event sets and stops timers; a sorted slice must run them
// in the same order.
func TestRandomTimersAgainstSortedSlice(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const timers = 40
		pri := make([]Priority, timers)
		for i := range pri {
			pri[i] = Priority(rapid.IntRange(0, 2).Draw(t, "priority"))
		}
		ops := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) op {
			return op{
				timer: rapid.IntRange(0, timers-1).Draw(t, "timer"),
				at:    time.Duration(rapid.IntRange(0, 12).Draw(t, "at")),
				stop:  rapid.IntRange(0, 4).Draw(t, "stop") == 0,
			}
		}), 300, 600).Draw(t, "ops")
		const opening = 250 // many moves before the first event

		got := runOps(ops, opening, pri)
		want := sortOps(ops, opening, pri)
		if !slices.Equal(got, want) {
			t.Fatalf("order %v, sorted slice %v", got, want)
		}
	})
}

func runOps(ops []op, opening int, pri []Priority) (order []int) {
	l := NewVirtual()
	timers := make([]*Timer, len(pri))
	next := 0
	do := func(n int) {
		for ; n > 0 && next < len(ops); n, next = n-1, next+1 {
			if o := ops[next]; o.stop {
				timers[o.timer].Stop()
			} else {
				timers[o.timer].Set(l.Now() + o.at)
			}
		}
	}
	for i := range timers {
		timers[i] = l.NewTimer(pri[i], func() {
			order = append(order, i)
			do(3)
		})
	}
	do(opening)
	if err := l.Run(context.Background(), time.Hour); err != nil {
		panic(err)
	}
	return order
}

func sortOps(ops []op, opening int, pri []Priority) (order []int) {
	timers := make([]oracleTimer, len(pri))
	now, next, seq := time.Duration(0), 0, 0
	do := func(n int) {
		for ; n > 0 && next < len(ops); n, next = n-1, next+1 {
			o := ops[next]
			tm := &timers[o.timer]
			if o.stop {
				tm.set = false
			} else if at := now + o.at; !tm.set || tm.at != at {
				seq++
				*tm = oracleTimer{at: at, pri: pri[o.timer], seq: seq, set: true}
			}
		}
	}
	do(opening)
	for {
		var due []int
		for i := range timers {
			if timers[i].set {
				due = append(due, i)
			}
		}
		if len(due) == 0 {
			return order
		}
		slices.SortFunc(due, func(i, j int) int {
			a, b := timers[i], timers[j]
			if a.at != b.at {
				return int(a.at - b.at)
			}
			if a.pri != b.pri {
				return int(a.pri) - int(b.pri)
			}
			return a.seq - b.seq
		})
		i := due[0]
		now, timers[i].set = timers[i].at, false
		order = append(order, i)
		do(3)
	}
}

func BenchmarkLoop(b *testing.B) {
	for _, pending := range []int{1, 10, 1000} {
		b.Run(fmt.Sprint(pending), func(b *testing.B) {
			l := NewVirtual()
			n := 0
			for i := range pending {
				var tm *Timer
				tm = l.NewTimer(PriorityCar, func() {
					if n++; n >= b.N {
						l.Stop()
					}
					tm.Set(l.Now() + time.Duration(pending+i%7))
				})
				tm.Set(time.Duration(i))
			}
			b.ReportAllocs()
			b.ResetTimer()
			_ = l.Run(context.Background(), 1<<62)
		})
	}
}
