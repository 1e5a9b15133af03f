package tool

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/task"
)

// What a person types is checked line by line, and what cannot be taken changes nothing.
func TestTypedLines(t *testing.T) {
	var p Typed
	for _, c := range []struct{ line, answer string }{
		{"stored p0113 C0035-13", "noted: stored"},
		{"pending none", "noted: pending none"},
		{"permanent unknown", "noted: permanent unknown"},
		{"stored P01", `not taken: "P01" is no code`},
		{"vin 0PT48VM60R100004", "has 16 characters, a vehicle's number has 17"},
		{"vin 0PT48VM60R10O0048", "I, O, Q"},
		{"vin 0PT48VM60R1000048", "noted: vin"},
		{"ecus 7e0, 7e1", "noted: ecus"},
		{"lamp maybe", `lamp is "maybe", expected one of on, off`},
		{"lamp on", "noted: lamp on"},
		{"lamp none", "lamp has a value, expected lamp on or off"},
		{"count two", `"two" is no number of codes`},
		{"count 2", "noted: count 2"},
		{"live coolant_c warm", `"warm" is no number`},
		{"live coolant_c = 83", "noted: live"},
		{"live coolant_c 84.5", "noted: live"},
		{"readiness catalyst", `readiness is "catalyst"`},
		{"readiness catalyst complete", "noted: readiness"},
		{"learn done", "noted: learn done"},
		{"freeze P0113", "noted: freeze"},
		{"calibrations AB-1", "noted: calibrations"},
		{"cause a broken wire", "noted: cause a broken wire"},
		{"dance", `"dance" is not understood`},
		{"not today", `"not" is not understood`},
		{"stored", "stored of what? stored P0113 P0335, or stored none"},
		{"?", "live coolant_c 83"},
	} {
		answer, done := p.Take(c.line)
		require.Contains(t, answer, c.answer, c.line)
		require.False(t, done, c.line)
	}
	r, reads := p.Report()
	on, two := true, 2
	require.Equal(t, Report{
		VIN: "0PT48VM60R1000048", HasVIN: true, MIL: &on, Count: &two,
		ECUs:   []ECU{{Name: "7e0", Address: "7E0"}, {Name: "7e1", Address: "7E1"}},
		Stored: []Code{{Code: "P0113"}, {Code: "C0035", FailureType: "13"}}, Pending: []Code{},
		Live: []Value{{Signal: "coolant_c", Value: 84.5}}, Readiness: []Monitor{{Name: "catalyst", Ready: true}},
		FreezeFrames: []FreezeFrame{{Code: "P0113"}}, Calibrations: []Calibration{{ID: "AB-1"}},
		Learn: &LearnResult{Outcome: "learned"}, Extra: []Extra{{Name: "cause", Value: "a broken wire"}}, Told: r.Told,
	}, r)
	require.Len(t, r.Told, 1)
	assert.Equal(t, task.Said, r.Told[0].States.Of(task.Stored))
	assert.Equal(t, task.Empty, r.Told[0].States.Of(task.Pending))
	assert.Equal(t, task.Unknown, r.Told[0].States.Of(task.Permanent))
	assert.Equal(t, task.NotSaid, r.Told[0].States.Of(task.Output))
	assert.Equal(t, []string{"output"}, p.Untold(reads|task.Output))
}

func TestTypedEnds(t *testing.T) {
	for line, want := range map[string]Ended{
		"": EndedDone, "done": EndedDone, "Done and dusted": EndedDone, "refused engine runs": EndedRefused, "not possible": EndedNotPossible,
	} {
		var p Typed
		_, done := p.Take(line)
		require.True(t, done, line)
		got, why := p.Ended()
		require.Equal(t, want, got, line)
		require.Equal(t, strings.HasSuffix(line, "engine runs"), why == "engine runs")
	}
}
