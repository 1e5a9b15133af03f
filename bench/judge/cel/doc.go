// Package cel holds the language of conditions, and nothing of what is done with them:
// CEL (Common Expression Language) over the car's true signals and the fields of an
// observation, typed, so that a mistake is found when the file is loaded.
//
// Conditions are of two kinds. One that names a field of event holds at single
// observations. Any other describes a state. A condition has a robustness where it
// compares numbers of one unit: its signed distance to the threshold (Donze and Maler,
// "Robust Satisfaction of Temporal Logic over Real-Valued Signals", FORMATS 2010).
package cel
