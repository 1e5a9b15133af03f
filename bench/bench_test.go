package bench_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/canbus/clock"
)

// The whole healthy-car scenario: car, three ECUs with their periodic messages (40 % bus
// load), bus, tool, judge, capture. The figure is how much faster than the car's own time it
// runs on one core.
func BenchmarkHealthyScenario(b *testing.B) {
	benchmarkScenario(b, "healthy")
}

// The same of the car with two buses and a gateway, which is driven as well.
func BenchmarkHealthyScenarioOfTwoBuses(b *testing.B) {
	benchmarkScenario(b, "auklet-healthy")
}

// The same behind the traffic of a recorded drive.
func BenchmarkScenarioBehindTraffic(b *testing.B) {
	benchmarkScenario(b, "real-drive")
}

func benchmarkScenario(b *testing.B, name string) {
	p := planOf(b, name, 1)
	dir := b.TempDir()
	var car time.Duration
	b.ResetTimer()
	for b.Loop() {
		car += execute(b, p, dir).Length
	}
	b.ReportMetric(car.Seconds()/b.Elapsed().Seconds(), "times-real-time")
}

// A car that idles, with nobody asking: what the model itself costs.
func BenchmarkIdlingCar(b *testing.B) {
	idling, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(1)})
	require.NoError(b, err)
	defer idling.Close()
	start := []map[string]any{{"key": "on", "clutch": 100.0}, {"key": "start"}, {"key": "on"}, {"clutch": 0.0}}
	for i, controls := range start {
		idling.Loop.At(time.Duration(i)*time.Second, clock.PriorityFault, func() {
			require.NoError(b, idling.Hand().Drive(controls))
		})
	}
	length := time.Duration(b.N) * time.Second
	b.ReportAllocs()
	b.ResetTimer()
	require.NoError(b, idling.Run(context.Background(), length))
	b.ReportMetric(length.Seconds()/b.Elapsed().Seconds(), "times-real-time")
}
