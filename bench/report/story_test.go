package report

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/signal"
	"sawhorse/bench/trace"
)

// told is a run in which codes are cleared before they are read, with a fault on and
// a task under way.
func told() Run {
	var table signal.Table
	rpm := table.Define("engine_rpm", "rev/min", "crankshaft speed")
	table.Define("gear", "", "gear engaged")
	table.Set(rpm, 650)
	tr := trace.New(&table)
	tr.Sample(0)
	see := func(at time.Duration, kind judge.Kind, fill func(*judge.Observation)) {
		o := judge.Saw(kind, at)
		fill(&o)
		tr.Observe(&o)
	}
	see(time.Second, judge.FaultOn, func(o *judge.Observation) { o.Fault = "air-mass-dead" })
	see(time.Second, judge.Driver, func(o *judge.Observation) { o.Control, o.Text = "key", "key off" })
	see(2*time.Second, judge.Driver, func(o *judge.Observation) { o.Control, o.Text = "key", "key on" })
	see(2*time.Second, judge.TaskStart, func(o *judge.Observation) { o.Task = "clear-codes" })
	see(2500*time.Millisecond, judge.Line, func(o *judge.Observation) { o.Task, o.Line, o.Text = "clear-codes", 1, "clearing \x1b[2J" })
	for i, data := range [][]byte{{0x10, 0x03}, {0x04}, {0x03}} {
		o := judge.Message(judge.Request, time.Duration(3+i)*time.Second, data)
		o.First, o.Last, o.Functional = 40+i, 40+i, true
		tr.Observe(&o)
	}
	a := judge.Message(judge.Response, 6*time.Second, []byte{0x43, 1, 0x01, 0x02})
	a.First, a.Last, a.ECU = 50, 52, "engine"
	tr.Observe(&a)
	tr.Close(7 * time.Second)
	r := runs()[0]
	r.Trace, r.Signals = tr, []string{"engine_rpm"}
	v := &r.Verdicts[1]
	v.Decided = 4 * time.Second
	v.Evidence = []judge.Evidence{{Time: 4 * time.Second, First: 41, Last: 41, Text: "request 7DF [04]"}, {Time: 6 * time.Second, First: 50, Last: 52, Text: "response engine"}}
	return r
}

func TestStory(t *testing.T) {
	r := told()
	var b bytes.Buffer
	require.NoError(t, Story(&b, &r, &r.Verdicts[1], "- id: read-first\n  before:\n    first: event.service == 3\n"))
	golden(t, "story.txt", b.String())
	require.NotContains(t, b.String(), "\x1b")
}

func TestAStoryWithoutATrace(t *testing.T) {
	r := runs()[0]
	var b bytes.Buffer
	require.NoError(t, Story(&b, &r, &r.Verdicts[2], ""))
	require.Contains(t, b.String(), "FAILED, the tool hung")
	require.ErrorContains(t, Story(brokenWriter{}, &r, &r.Verdicts[0], ""), "disk full")
}
