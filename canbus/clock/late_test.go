package clock

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const ms = time.Millisecond

// A loop that is held up says when and for how long, whether events or visitors had
// to wait.
func TestALoopKnowsHowLateItWas(t *testing.T) {
	l := newWall(t)
	hold := func() { time.Sleep(60 * ms) }
	l.At(20*ms, PriorityCar, hold)
	l.At(30*ms, PriorityCar, func() {})
	require.NoError(t, l.Run(context.Background(), 100*ms))
	late := l.Late()
	require.NotEmpty(t, late)
	found := false
	for i, x := range late {
		assert.Equal(t, x.To-x.From >= x.By, true)
		assert.GreaterOrEqual(t, x.By, LateFrom)
		if i > 0 {
			assert.Greater(t, x.From, late[i-1].To)
		}
		// The event's own moment, and its slack, lie in the stretch.
		found = found || x.From <= 30*ms+DefaultSlack && x.To >= 80*ms && x.By >= 49*ms
	}
	assert.True(t, found, "%v", late)
}

func TestAVisitorThatHadToWaitCountsAsLateness(t *testing.T) {
	l := newWall(t)
	held := make(chan struct{})
	l.At(5*ms, PriorityCar, func() { close(held); time.Sleep(40 * ms) })
	go func() {
		<-held
		_ = l.Post(l.Stop)
	}()
	require.NoError(t, l.Run(context.Background(), time.Minute))
	late := l.Late()
	require.NotEmpty(t, late)
	assert.GreaterOrEqual(t, late[len(late)-1].By, 20*ms)
}

func TestVirtualTimeIsNeverLate(t *testing.T) {
	l := NewVirtual()
	l.At(ms, PriorityCar, func() { time.Sleep(10 * ms); l.WasLate(time.Second) })
	l.At(2*ms, PriorityCar, func() {})
	runVirtual(t, l, time.Second)
	assert.Empty(t, l.Late())
}

// Whatever is noted lies within one stretch that says at least so much, and the
// stretches are apart, in order and bounded.
func TestStretchesTakeInAllThatWasNoted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := &Loop{}
		now := time.Duration(0)
		var noted []Late
		for range rapid.IntRange(1, 1500).Draw(t, "n") {
			now += time.Duration(rapid.IntRange(0, 40).Draw(t, "step")) * ms
			by := time.Duration(rapid.IntRange(0, 60).Draw(t, "by")) * ms
			l.noteLate(now-by, now)
			if by >= LateFrom {
				noted = append(noted, Late{max(0, now-by), now, by})
			}
		}
		require.LessOrEqual(t, len(l.lates), maxLate)
		for i := 1; i < len(l.lates); i++ {
			require.Greater(t, l.lates[i].From, l.lates[i-1].To)
		}
		for _, n := range noted {
			in := false
			for _, x := range l.lates {
				in = in || x.From <= n.From && n.To <= x.To && n.By <= x.By
			}
			require.True(t, in, "%v in %v", n, l.lates)
		}
	})
}
