//go:build !race

package cel

const underRace = false
