// Package task is what a scenario can ask of a diagnostic tool, and what a tool can
// say to it: one list of tasks and one list of the fields of a report. Scenarios,
// profiles, their schemas and the judge all read these lists, so that a task or a field
// that is added here is known everywhere.
//
// It imports nothing of the house: data, and how to find it.
package task
