package bench_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/canbus/clock"
)

// What a bench in wall time costs of a core, for other processes to talk to: with the
// key off and the buses asleep, and with the engine idling.
func BenchmarkDaemon(b *testing.B) {
	const settle, measured = 8 * time.Second, 4 * time.Second // a bus falls asleep 5 s after key off
	for _, c := range []struct {
		name  string
		steps []map[string]any // a second after the other
	}{
		{"asleep", []map[string]any{{"key": "off"}}},
		{"running", []map[string]any{{"key": "on", "clutch": 100.0}, {"key": "start"}, {"key": "start"}, {"key": "on"}, {"clutch": 0.0}}},
	} {
		b.Run(c.name, func(b *testing.B) {
			share := 0.0
			for b.Loop() {
				car, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(1), Wall: true,
					Buses: []bench.Bus{{URL: "unix:" + filepath.Join(b.TempDir(), "s")}}})
				require.NoError(b, err)
				for i, controls := range c.steps {
					car.Loop.At(time.Duration(i)*time.Second, clock.PriorityFault, func() { require.NoError(b, car.Hand().Drive(controls)) })
				}
				var from time.Duration
				car.Loop.At(settle, clock.PriorityJudge, func() { from = cpuTime(b) })
				require.NoError(b, car.Run(context.Background(), settle+measured))
				share = 100 * (cpuTime(b) - from).Seconds() / measured.Seconds()
				require.NoError(b, car.Close())
			}
			b.ReportMetric(share, "core-%")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// A frame all in: the longest run of the built-in scenarios, with car, units, bus, tool,
// judge and recording, by the CPU time of a frame.
func BenchmarkFrameAllIn(b *testing.B) {
	p := planOf(b, "exchanged-ecu", 1)
	dir := b.TempDir()
	frames := 0
	from := cpuTime(b)
	for b.Loop() {
		frames += execute(b, p, dir).Frames
	}
	b.ReportMetric(float64(cpuTime(b)-from)/float64(frames), "cpu-ns/frame")
	b.ReportMetric(0, "ns/op")
}
