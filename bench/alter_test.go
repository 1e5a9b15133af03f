package bench_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/bench/fault"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// clientNode asks the engine ECU for its engine speed, again and again, and counts
// the answers.
type clientNode struct {
	port    canbus.Port
	answers []canbus.Frame
	others  int
}

func (c *clientNode) Receive(f *canbus.Frame) {
	if f.ID == 0x7E8 {
		c.answers = append(c.answers, *f)
	} else {
		c.others++
	}
}
func (c *clientNode) Sent(*canbus.Frame) {}

// session puts a car with its key on and a client on a bus, and a fault on the bus
// from 2 s to 4 s of 6.
func session(t *testing.T, id string, params map[string]any) (c *clientNode, notes []string) {
	t.Helper()
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(3)})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	b.Bus.Tap(func(s canbus.Sighting) {
		if s.Touched != "" {
			notes = append(notes, s.Touched)
		}
	})
	c = &clientNode{}
	c.port, err = b.Bus.Attach("client-1", c)
	require.NoError(t, err)
	desk := b.Hand()
	require.NoError(t, desk.Drive(map[string]any{"key": "on"}))
	for i := range 50 {
		b.Loop.At(time.Second+time.Duration(i)*100*time.Millisecond, clock.PriorityTool, func() {
			f := canbus.New(0x7DF, 2, 1, 0x0C, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC)
			_ = c.port.Send(&f) // on a flooded bus the queue may be full
		})
	}
	b.Loop.At(2*time.Second, clock.PriorityFault, func() { require.NoError(t, desk.SetFault(id, true, params)) })
	b.Loop.At(4*time.Second, clock.PriorityFault, func() { require.NoError(t, desk.SetFault(id, false, nil)) })
	require.NoError(t, b.Run(context.Background(), 6*time.Second))
	return c, notes
}

func between(fs []canbus.Frame, from, to time.Duration) (n int) {
	for _, f := range fs {
		if f.Time >= from && f.Time < to {
			n++
		}
	}
	return n
}

// No fault of the bus is without a test of its effect.
func TestNoFaultOfTheBusIsForgotten(t *testing.T) {
	TestEveryFaultOfTheBusHasItsEffect(t)
	TestEveryFaultOfTheAnswersHasItsEffect(t)
	TestEveryFaultOfASignalHasItsEffect(t)
	TestEveryFaultOfTheNetworkKeepsItsPromise(t)
	for _, e := range fault.Catalogue() {
		if e.OnBus() {
			assert.True(t, tested[e.ID], "%s has no test of its effect", e.ID)
		}
	}
}

// What each fault of the bus does to the answers of an ECU, seen from another node,
// and that it ends.
func TestEveryFaultOfTheBusHasItsEffect(t *testing.T) {
	ids := map[string]any{"ids": "7E8"}
	with := func(more ...any) map[string]any {
		p := map[string]any{"ids": "7E8"}
		for i := 0; i < len(more); i += 2 {
			p[more[i].(string)] = more[i+1]
		}
		return p
	}
	during := func(c *clientNode) int { return between(c.answers, 2*time.Second, 4*time.Second) }
	effects := map[string]struct {
		params map[string]any
		note   string
		holds  func(c *clientNode) bool
	}{
		"frames-lost":      {ids, "", func(c *clientNode) bool { return during(c) == 0 }},
		"frames-late":      {with("delay", 1500.0), "delay by 1.5s", func(c *clientNode) bool { return during(c) < 10 && len(c.answers) == 50 }},
		"frames-doubled":   {ids, "duplicate", func(c *clientNode) bool { return during(c) == 40 }},
		"frames-reordered": {with("window", 5.0, "delay", 1000.0), "reorder", func(c *clientNode) bool { return len(c.answers) == 50 }},
		"bits-flipped": {with("bytes", "FF", "at", 2.0), "flip", func(c *clientNode) bool {
			return slices.ContainsFunc(c.answers, func(f canbus.Frame) bool { return f.Data[2] == 0xF3 })
		}},
		"bytes-overwritten": {with("bytes", "7F", "at", 1.0), "overwrite", func(c *clientNode) bool {
			return slices.ContainsFunc(c.answers, func(f canbus.Frame) bool { return f.Data[1] == 0x7F })
		}},
		"frame-length-wrong": {with("length", 5.0), "resize", func(c *clientNode) bool {
			return slices.ContainsFunc(c.answers, func(f canbus.Frame) bool { return f.Len == 5 })
		}},
		"frame-id-wrong": {ids, "renumber", func(c *clientNode) bool { return during(c) == 0 && c.others >= 20 }},
		"padding-wrong": {with("byte", "A5"), "padded with A5", func(c *clientNode) bool {
			return slices.ContainsFunc(c.answers, func(f canbus.Frame) bool { return f.Len == 8 && f.Data[7] == 0xA5 && f.Data[1] == 0x41 })
		}},
		"padding-missing": {ids, "bytes in use", func(c *clientNode) bool {
			return slices.ContainsFunc(c.answers, func(f canbus.Frame) bool { return int(f.Len) == 1+int(f.Data[0]) })
		}},
		"values-frozen": {ids, "freeze", func(c *clientNode) bool { return len(c.answers) == 50 }},
		"values-stale":  {ids, "stale", func(c *clientNode) bool { return len(c.answers) == 50 }},
		"node-silent":   {map[string]any{"sender": "engine"}, "", func(c *clientNode) bool { return during(c) == 0 }},
		"bus-flooded":   {nil, "", func(c *clientNode) bool { return during(c) == 0 && c.others > 5000 }},
		"bit-errors": {with("count", 5.0), "bit 20 inverted in try", func(c *clientNode) bool {
			return len(c.answers) == 50 // repeated by the controller
		}},
		"node-bus-off": {nil, "", func(c *clientNode) bool { return len(c.answers) >= 45 }},
	}
	for _, e := range fault.Catalogue() {
		want, ok := effects[e.ID]
		if !ok {
			continue
		}
		t.Run(e.ID, func(t *testing.T) {
			tested[e.ID] = true
			c, notes := session(t, e.ID, want.params)
			assert.Equal(t, 10, between(c.answers, time.Second, 2*time.Second), "before")
			assert.True(t, want.holds(c), "answers %d, during %d, others %d", len(c.answers), during(c), c.others)
			assert.GreaterOrEqual(t, between(c.answers, 4200*time.Millisecond, 6*time.Second), 15, "after")
			if want.note != "" {
				assert.Contains(t, strings.Join(notes, "\n"), want.note)
			}
		})
	}
}

func TestWrongFrameFaultsAreRefused(t *testing.T) {
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(3)})
	require.NoError(t, err)
	defer b.Close()
	for want, c := range map[string]struct {
		id     string
		params map[string]any
	}{
		"want hexadecimal such as 7E8": {"frames-lost", map[string]any{"ids": "engine"}},
		"want replay, engine":          {"frames-lost", map[string]any{"sender": "gremlin"}},
		"hexadecimal bytes such as":    {"bits-flipped", map[string]any{"bytes": "xyz"}},
		"a delay of nothing":           {"frames-late", map[string]any{"delay": 0.0}},
		"length 9":                     {"frame-length-wrong", map[string]any{"length": 9.0}},
		"parameter id":                 {"bus-flooded", map[string]any{"id": "800000000"}},
		"at most 8":                    {"bus-flooded", map[string]any{"bytes": "000102030405060708"}},
	} {
		require.ErrorContains(t, b.Hand().SetFault(c.id, true, c.params), want, fmt.Sprint(c))
	}
}
