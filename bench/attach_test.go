package bench_test

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/api"
	"sawhorse/bench/judge"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/scenarios"
)

// parsed is a scenario of a text.
func parsed(t testing.TB, text string) *scenarios.Scenario {
	t.Helper()
	sc, err := scenarios.Parse("text.yaml", []byte(text), bench.Vocabulary())
	require.NoError(t, err)
	return sc
}

const byHand = `scenario: text
title: A person starts the engine
about: Nobody but the hand moves anything.
car: petrel-48
duration: 1m
expect:
  - {id: key, says: The key is turned, eventually: {that: "event.kind == 'driver' && event.control == 'key'", within: 1m}}
  - {id: runs, says: The engine runs, eventually: {that: engine_running, within: 1m}}
  - {id: broken, says: The sensor breaks, eventually: {that: "'intake-air-open' in faults", within: 1m}}
`

// outcomes are the verdicts of expectations by id.
func outcomes(list []judge.Verdict) map[string]judge.Outcome {
	m := map[string]judge.Outcome{}
	for _, v := range list {
		m[v.ID] = v.Outcome
	}
	return m
}

// frames is a recorder that keeps what it gets.
type frames struct{ list []canbus.Frame }

func (r *frames) Write(f *canbus.Frame, _ string) error { r.list = append(r.list, *f); return nil }

// A hand over the API, a judge, a trace and two recorders on one bench in wall time:
// what the hand does is judged, and both recorders have all frames.
func TestAJudgedBenchIsDrivenByHandOverTheAPI(t *testing.T) {
	b, err := bench.New(bench.Settings{Car: "petrel-48", Wall: true, Buses: []bench.Bus{{URL: "unix:" + t.TempDir() + "/bus"}}})
	require.NoError(t, err)
	one, two := &frames{}, &frames{}
	b.Record(one, nil)
	trace := b.Trace()
	j := b.Judge(bench.Judging{Expect: parsed(t, byHand).Expect})
	b.Record(two, nil)
	server := httptest.NewServer(api.New(b.Loop.Post, b.Hand(), b.Metrics.Handler(), slog.New(slog.DiscardHandler)))
	defer server.Close()
	b.OnSample(func(time.Duration) {
		if j.Decided() {
			b.Loop.Stop()
		}
	})
	ended := make(chan error)
	go func() { ended <- b.Run(context.Background(), time.Minute) }()
	put := func(path, body string) {
		req, err := http.NewRequest(http.MethodPut, server.URL+path, strings.NewReader(body))
		assert.NoError(t, err)
		res, err := http.DefaultClient.Do(req)
		if assert.NoError(t, err) {
			assert.Equal(t, http.StatusNoContent, res.StatusCode, path)
			assert.NoError(t, res.Body.Close())
		}
	}
	put("/v1/driver", `{"key": "on", "clutch": 100}`)
	put("/v1/driver", `{"key": "start"}`)
	running := func() bool {
		res, err := http.Get(server.URL + "/v1/car")
		if err != nil {
			return false
		}
		defer res.Body.Close()
		var text strings.Builder
		_, _ = io.Copy(&text, res.Body)
		return strings.Contains(text.String(), `"engine_running": true`)
	}
	require.Eventually(t, running, 30*time.Second, 50*time.Millisecond)
	put("/v1/faults/intake-air-open", "")
	require.NoError(t, <-ended)
	got := outcomes(j.Finish(true))
	require.Equal(t, judge.Pass, got["key"])
	require.Equal(t, judge.Pass, got["runs"])
	require.Equal(t, judge.Pass, got["broken"])
	require.NoError(t, b.Close())
	require.Greater(t, len(one.list), 100)
	require.Equal(t, one.list, two.list)
	require.NotEmpty(t, trace.Names())
}

// Two benches side by side do what each does alone.
func TestManyBenchesInOneProcess(t *testing.T) {
	drive := func(name string) []canbus.Frame {
		b, err := bench.New(bench.Settings{Car: name, Seed: 3})
		assert.NoError(t, err)
		r := &frames{}
		b.Record(r, nil)
		hand := b.Hand()
		b.Loop.At(time.Second, clock.PriorityFault, func() { assert.NoError(t, hand.Drive(map[string]any{"key": "on"})) })
		assert.NoError(t, b.Run(context.Background(), 4*time.Second))
		assert.NoError(t, b.Close())
		return r.list
	}
	cars := []string{"petrel-48", "auklet-18", "petrel-48", "auklet-18"}
	var alone, together [4][]canbus.Frame
	for i, name := range cars[:2] {
		alone[i] = drive(name)
		alone[i+2] = alone[i]
		require.NotEmpty(t, alone[i])
	}
	var wg sync.WaitGroup
	for i, name := range cars {
		wg.Go(func() { together[i] = drive(name) })
	}
	wg.Wait()
	require.Equal(t, alone, together)
}

// A hand may switch off what a script has switched on; the script goes on.
func TestAHandBesideAScript(t *testing.T) {
	sc := parsed(t, `scenario: text
title: A fault comes twice
about: It is switched off by hand in between.
car: petrel-48
duration: 1m
faults:
  - {fault: intake-air-open, from: 1s, for: 2s, every: 5s}
expect:
  - {id: x, says: It comes, eventually: {that: "'intake-air-open' in faults", within: 1m}}
`)
	b, err := bench.New(bench.Settings{Car: "petrel-48"})
	require.NoError(t, err)
	defer func() { require.NoError(t, b.Close()) }()
	_, err = b.Script(sc.Driver, sc.Faults)
	require.NoError(t, err)
	hand := b.Hand()
	isOn := func() (on bool) {
		for _, f := range hand.Faults() {
			on = on || f.ID == "intake-air-open" && f.On
		}
		return on
	}
	var events []judge.Kind
	b.OnObservation(func(o *judge.Observation) {
		if o.Fault == "intake-air-open" {
			events = append(events, o.Kind)
		}
	})
	at := func(at time.Duration, fn func()) { b.Loop.At(at, clock.PriorityTool, fn) }
	at(1500*time.Millisecond, func() {
		require.True(t, isOn())
		require.NoError(t, hand.SetFault("intake-air-open", false, nil))
		require.False(t, isOn())
	})
	at(6500*time.Millisecond, func() { require.True(t, isOn(), "the script switches it on again") })
	require.NoError(t, b.Run(context.Background(), 9*time.Second))
	require.False(t, isOn())
	require.Equal(t, []judge.Kind{judge.FaultOn, judge.FaultOff, judge.FaultOn, judge.FaultOff}, events)
}

// A bare bus takes a judge and a script of faults as well; it has nobody to drive.
func TestABenchWithoutACar(t *testing.T) {
	b, err := bench.New(bench.Settings{})
	require.NoError(t, err)
	defer func() { require.NoError(t, b.Close()) }()
	_, err = b.Script(nil, []scenarios.Fault{{Fault: "frames-lost", From: scenarios.Trigger{At: 2 * time.Second}}})
	require.NoError(t, err)
	_, err = b.Script(nil, []scenarios.Fault{{Fault: "clutch-unlearned"}})
	require.ErrorIs(t, err, api.ErrUnknown)
	j := b.Judge(bench.Judging{})
	require.ErrorContains(t, b.Hand().Drive(map[string]any{"key": "on"}), "no car")
	tool, unit := &clientNode{}, &clientNode{}
	tool.port, err = b.Bus.Attach("tool", tool)
	require.NoError(t, err)
	unit.port, err = b.Bus.Attach("unit", unit)
	require.NoError(t, err)
	b.Loop.At(time.Second, clock.PriorityTool, func() {
		f := canbus.New(0x7E0, 2, 0x3E, 0, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC)
		require.NoError(t, tool.port.Send(&f))
	})
	b.Loop.At(3*time.Second, clock.PriorityTool, func() {
		f := canbus.New(0x7E8, 2, 0x7E, 0, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC)
		require.NoError(t, unit.port.Send(&f))
	})
	require.NoError(t, b.Run(context.Background(), 5*time.Second))
	require.Equal(t, 1, unit.others, "the tool's frame came before the fault")
	require.Zero(t, tool.others+len(tool.answers), "the unit's was lost")
	require.NotEmpty(t, j.Finish(true), "the rules for every tool")
}

func TestWhatDoesNotGoTogether(t *testing.T) {
	for want, s := range map[string]bench.Settings{
		"want none on a bridge":          {Car: "petrel-48", Bridge: true, Buses: []bench.Bus{{}, {}}},
		"a bridge of 1 buses, want two":  {Bridge: true, Buses: []bench.Bus{{}}},
		"on 2 buses, want one":           {Car: "petrel-48", Buses: []bench.Bus{{}, {}}},
		"place for one node":             {Car: "petrel-48", Buses: []bench.Bus{{URL: "unix:x", Join: true}}},
		"inside one process":             {Buses: []bench.Bus{{Join: true}}},
		"other processes live in wall":   {Buses: []bench.Bus{{URL: "unix:x"}}},
		`unknown scheme "tcp", want mem`: {Buses: []bench.Bus{{URL: "tcp:x"}}},
	} {
		_, err := bench.New(s)
		require.ErrorContains(t, err, want)
	}
}

// What was attached last is undone first, what hangs is named and left behind, and
// all else is undone none the less.
func TestTheEndIsNamedAndBounded(t *testing.T) {
	b, err := bench.New(bench.Settings{})
	require.NoError(t, err)
	var order []string
	hang := make(chan struct{})
	defer close(hang)
	end := func(name string, err error) func() error {
		return func() error { order = append(order, name); return err }
	}
	b.OnClose("the first", time.Second, end("first", nil))
	b.OnClose("the second", time.Second, end("second", errors.New("no space")))
	b.OnClose("the third", 10*time.Millisecond, func() error { <-hang; return nil })
	b.OnClose("the fourth", time.Second, func() error { panic("out of range") })
	b.OnClose("the fifth", time.Second, end("fifth", nil))
	err = b.Close()
	require.Equal(t, []string{"fifth", "second", "first"}, order)
	require.ErrorIs(t, err, bench.ErrNotEnded)
	require.Equal(t, "end of the fourth: panic: out of range\nend of the third: did not end within its time of 10ms\nend of the second: no space", err.Error())
	require.NoError(t, b.Close(), "a second time there is nothing to do")
}
