//go:build !race

package bench_test

// underRace says that the race detector slows all down tenfold.
const underRace = false
