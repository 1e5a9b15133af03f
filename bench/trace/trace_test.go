package trace_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/bench/judge"
	"sawhorse/bench/signal"
	"sawhorse/bench/trace"
)

func message(at time.Duration, frame int, data ...byte) *judge.Observation {
	o := judge.Message(judge.Request, at, data)
	o.First, o.Last, o.ID = frame, frame, 0x7E0
	return &o
}

func total(t *trace.Trace, l trace.Lane) (sum int) {
	counts, _ := t.Counts(l)
	for _, n := range counts {
		sum += int(n)
	}
	return sum
}

// A hundred times as many messages as are kept: the first and the last are there, in
// order, and the numbers are whole.
func TestATraceIsBoundedAndCountsWhatItDrops(t *testing.T) {
	const n = 3 * trace.MaxEvents
	tr := trace.New(nil)
	for i := range n {
		tr.Observe(message(time.Duration(i)*time.Millisecond, i+1, 0x3E, 0))
	}
	tr.Close(n * time.Millisecond)
	events := tr.Events()
	require.Len(t, events, trace.MaxEvents)
	require.Equal(t, n-trace.MaxEvents, tr.Lost)
	require.EqualValues(t, 1, events[0].First)
	require.EqualValues(t, n, events[len(events)-1].First)
	for i := 1; i < len(events); i++ {
		require.Greater(t, events[i].First, events[i-1].First)
	}
	require.Equal(t, n, total(tr, trace.Requests))
	counts, width := tr.Counts(trace.Requests)
	require.LessOrEqual(t, len(counts), trace.MaxSteps)
	require.GreaterOrEqual(t, width*trace.MaxSteps, n*time.Millisecond)
}

func TestMarksOutliveMessages(t *testing.T) {
	tr := trace.New(nil)
	on := judge.Saw(judge.FaultOn, 0)
	on.Fault = "air-mass-dead"
	tr.Observe(&on)
	for i := range 2 * trace.MaxEvents {
		tr.Observe(message(time.Duration(i), i+1, 0x3E))
	}
	require.Equal(t, "air-mass-dead", tr.Events()[0].Name)
	for range trace.MaxMarks + 5 {
		tr.Observe(&on)
	}
	require.Equal(t, 6, tr.LostMarks)
}

// The oracle keeps every sample; the trace its least and greatest per step.
func TestSignalsKeepLeastAndGreatest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 4000).Draw(t, "samples")
		var table signal.Table
		ref := table.Define("engine_rpm", "rev/min", "crankshaft speed")
		tr := trace.New(&table)
		var values []float32
		for i := range n {
			v := float64(i*7919%101) + rapid.Float64Range(0, 1).Draw(t, "v")
			if i > 40 { // draw few: the rest follows from the index
				v = float64(i * 7919 % 997)
			}
			table.Set(ref, v)
			values = append(values, float32(v))
			tr.Sample(time.Duration(i) * 20 * time.Millisecond)
		}
		tr.Close(time.Duration(n) * 20 * time.Millisecond)
		s := tr.Signals()[0]
		if len(s.Ranges) > trace.MaxSteps {
			t.Fatalf("%d steps", len(s.Ranges))
		}
		per := int(s.Width / (20 * time.Millisecond))
		for i, r := range s.Ranges {
			lo, hi := values[i*per], values[i*per]
			for _, v := range values[i*per : min(len(values), (i+1)*per)] {
				lo, hi = min(lo, v), max(hi, v)
			}
			if r.Min != lo || r.Max != hi {
				t.Fatalf("step %d of %v: %v, want %v to %v", i, s.Width, r, lo, hi)
			}
			if got, ok := s.At(time.Duration(i) * s.Width); !ok || got != r {
				t.Fatalf("At(%v) is %v", time.Duration(i)*s.Width, got)
			}
		}
	})
}

// sample is a trace of everything.
func sample() *trace.Trace {
	var table signal.Table
	rpm, still := table.Define("engine_rpm", "rev/min", "crankshaft speed"), table.Define("gear", "", "gear engaged")
	table.Set(still, 3)
	tr := trace.New(&table)
	for i := range 900 {
		table.Set(rpm, float64(i%50*40))
		tr.Sample(time.Duration(i) * 20 * time.Millisecond)
		tr.Frame(time.Duration(i)*20*time.Millisecond, trace.Lane(i%4))
	}
	at := time.Second
	for _, k := range []judge.Kind{judge.FaultOn, judge.TaskStart, judge.Driver, judge.Line, judge.TaskEnd, judge.FaultOff} {
		o := judge.Saw(k, at)
		o.Fault, o.Task, o.Control, o.Text = "f", "", "", "text <&> \u2028 "+strings.Repeat("ä", 300)
		if k == judge.Line {
			o.Line = 3
		}
		tr.Observe(&o)
		tr.Observe(message(at, 7, 0x22, 0xF1, 0x90))
		at += time.Second
	}
	long := message(at, 9, bytes.Repeat([]byte{0xAB}, 3000)...)
	tr.Observe(long)
	tr.Groups = []trace.Group{{ID: 0x7DF, Units: []string{"engine", "brake"}}}
	tr.Close(20 * time.Second)
	return tr
}

func TestAFileComesBackAsItWas(t *testing.T) {
	tr := sample()
	var file bytes.Buffer
	require.NoError(t, tr.Write(&file))
	text := file.String()
	back, err := trace.Read(&file)
	require.NoError(t, err)
	var again bytes.Buffer
	require.NoError(t, back.Write(&again))
	require.Equal(t, text, again.String())
	require.Equal(t, tr.Frames, back.Frames)
	require.Equal(t, tr.Length, back.Length)
	require.Len(t, back.Events(), len(tr.Events()))
	require.EqualValues(t, 3000, back.Events()[len(back.Events())-1].Length)
	require.Equal(t, tr.Groups, back.Groups)
	require.Equal(t, tr.Signals()[0].Ranges, back.Signals()[0].Ranges)
}

func TestBrokenFilesAreRefusedByLine(t *testing.T) {
	var file bytes.Buffer
	require.NoError(t, sample().Write(&file))
	head, _, _ := strings.Cut(file.String(), "\n")
	for name, c := range map[string][2]string{
		"nothing":      {"", "empty"},
		"no trace":     {"{}", "line 1: sawhorse_trace is 0, want 1"},
		"lane":         {head + "\n" + `{"lane":"mood"}`, `line 2: lane "mood" is not known`},
		"width":        {head + "\n" + `{"lane":"errors","counts":[1]}`, "line 2: lane"},
		"steps":        {head + "\n" + `{"signal":"x","width_us":1,"steps":100000}`, "line 2: signal x"},
		"point":        {head + "\n" + `{"signal":"x","width_us":1,"steps":2,"points":[[0]]}`, "want 2 or 3"},
		"order":        {head + "\n" + `{"signal":"x","width_us":1,"steps":2,"points":[[1,1],[0,1]]}`, "out of order"},
		"group":        {head + "\n" + `{"group":2015}`, "line 2: group 7DF: 0 units"},
		"event":        {head + "\n" + `{"event":"party"}`, `event "party" is not known`},
		"data":         {head + "\n" + `{"event":"request","data":"0G"}`, "hexadecimal"},
		"backwards":    {head + "\n" + `{"event":"request","first":5,"last":4}`, "out of range"},
		"nothing said": {head + "\n{}", "want a lane, a signal, a group or an event"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := trace.Read(strings.NewReader(c[0]))
			require.ErrorContains(t, err, c[1])
		})
	}
}

// Whatever is read as a trace is written and read again as the same.
func FuzzRead(f *testing.F) {
	const head = `{"sawhorse_trace":1,"length_us":20000000,"frames":900}` + "\n"
	f.Add([]byte(head + `{"lane":"requests","width_us":40000,"counts":[1,0,3]}`))
	f.Add([]byte(head + `{"event":"request","at_us":5,"first":7,"last":9,"id":2016,"name":"engine","length":3,"data":"22F190"}`))
	f.Add([]byte(head + `{"event":"task-end","at_us":5,"name":"learn","text":"exit <0>","status":"ok"}`))
	f.Add([]byte(`{"sawhorse_trace":1}` + "\n" + `{"signal":"x","width_us":7,"steps":3,"points":[[0,1],[2,1,2]]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		tr, err := trace.Read(bytes.NewReader(data))
		if err != nil {
			return
		}
		var one, two bytes.Buffer
		if err := tr.Write(&one); err != nil {
			t.Fatal(err)
		}
		text := one.String()
		back, err := trace.Read(&one)
		if err != nil {
			t.Fatalf("what was written cannot be read: %v\n%s", err, text)
		}
		if err := back.Write(&two); err != nil || two.String() != text {
			t.Fatalf("%v\n%s\n%s", err, text, two.String())
		}
	})
}

func BenchmarkObserve(b *testing.B) {
	b.ReportAllocs()
	tr := trace.New(nil)
	o := message(0, 1, 0x22, 0xF1, 0x90)
	i := 0
	for b.Loop() {
		i++
		o.Time = time.Duration(i) * time.Microsecond
		tr.Observe(o)
	}
}

func ExampleTrace_Counts() {
	tr := trace.New(nil)
	tr.Frame(5*time.Millisecond, trace.ToolFrames)
	tr.Frame(12*time.Millisecond, trace.ToolFrames)
	counts, width := tr.Counts(trace.ToolFrames)
	fmt.Println(counts, width)
	// Output: [1 1] 10ms
}
