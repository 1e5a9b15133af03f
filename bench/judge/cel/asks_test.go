package cel

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
)

func TestFramesThatAConditionAsksFor(t *testing.T) {
	r := newRig(t)
	for _, c := range []struct {
		src  string
		want []int // of 0, 0x100, 0x101, 0x7E8 and 0x18DAF110
	}{
		{`event.kind == "frame"`, []int{0, 0x100, 0x101, 0x7E8, 0x18DAF110}},
		{`event.kind == "frame" && event.id == 0x100`, []int{0x100}},
		{`0x100 == event.id && event.kind == "frame"`, []int{0x100}},
		{`event.kind == "frame" && event.id in [0x101, 0x18DAF110]`, []int{0x101, 0x18DAF110}},
		{`event.kind == "frame" && (event.id == 0x100 || event.id == 0x101) && event.id != 0x100`, []int{0x100, 0x101}},
		{`event.kind == "frame" && event.id in [0x100, 0x101] && event.id in [0x101, 0x7E8]`, []int{0x101}},
		{`event.kind == "request" || event.kind == "frame" && event.id == 0`, []int{0}},
		{`event.kind == "frame" && !(event.id == 0x100)`, []int{0, 0x100, 0x101, 0x7E8, 0x18DAF110}},
		{`event.kind == "frame" && event.kind == "line"`, nil},
		{`event.kind == "request" && event.id == 0x7E8`, nil},
		{`event.id == 0x7E8`, nil},
		{`engine_rpm > 500`, nil},
	} {
		var f Frames
		f.Add(r.cond(c.src))
		var got []int
		for _, id := range []int{0, 0x100, 0x101, 0x7E8, 0x18DAF110} {
			if f.Has(id) {
				got = append(got, id)
			}
		}
		require.Equal(t, c.want, got, c.src)
	}
}

// Whatever the condition is, it holds at no frame that it does not ask for, and has no
// error there: what is left out could not have been seen.
func TestFramesLeaveNothingOut(t *testing.T) {
	r := newRig(t)
	w := writer{rand.New(rand.NewPCG(12, 1))}
	var part func(depth int) string
	part = func(depth int) string {
		if depth == 0 {
			return pick(w, `event.kind == "frame"`, `event.kind == "frame"`, `event.kind == "line"`, "event.id == 2", "3 == event.id",
				"event.id in [1, 3]", "event.id != 2", "1 / event.line > 0", "running", "event.id > 2")
		}
		return fmt.Sprintf(pick(w, "(%s && %s)", "(%s || %s)", "(%s && !(%s))"), part(depth-1), part(depth-1))
	}
	left, held := 0, 0
	for range 3_000 {
		src := part(1 + w.IntN(3))
		c := r.cond(src)
		if !c.OnEvent() {
			continue
		}
		var f Frames
		f.Add(c)
		for id := range 5 {
			r.set("running", float64(w.IntN(2)))
			s := NewScope(&r.table)
			s.Enter(&judge.Observation{Kind: judge.Frame, ID: id, Line: w.IntN(2)})
			ok, err := c.Holds(s)
			if f.Has(id) {
				held++
				continue
			}
			left++
			require.NoError(t, err, "%s at frame %d", src, id)
			require.False(t, ok, "%s at frame %d", src, id)
		}
	}
	require.Greater(t, left, 1000)
	require.Greater(t, held, 1000)
}
