//go:build race

package cel

// underRace is set where the race detector runs, which is slow.
const underRace = true
