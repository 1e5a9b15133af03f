// Package spec is the description of a control unit: what its YAML file says, what it may
// leave out, what must be true of it, and its conditions bound to readings.
//
// Here lives what can be said of a unit without running it, and nothing that changes
// while a unit runs. [Load] reads one file with the [Vocabulary] of the server that
// carries it out; [Of] reads the units of a car.
package spec
