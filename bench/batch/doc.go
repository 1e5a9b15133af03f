// Package batch does many runs: it says which (seeds, values of parameters, a part
// of all for one of several machines), does them side by side, and hands the results
// on in the order in which they were asked for, whatever ran first. It knows nothing
// of cars: a run is a number.
package batch
