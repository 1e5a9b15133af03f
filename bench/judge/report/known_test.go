package report

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/task"
)

// "Not known" is undecided, but where the scenario says that all of it can be read a
// tool has not done its work.
func TestWhatCanBeReadMustBeKnown(t *testing.T) {
	var engine, body task.States
	engine.Set(task.Stored, task.Unknown)
	body.Set(task.Stored, task.Empty)
	r := &judge.Report{Reads: task.Stored, Says: task.Stored, Units: []judge.Unit{{Name: "engine", States: engine}, {Name: "body", States: body}}}
	for _, known := range []bool{false, true} {
		want := judge.Undecided
		if known {
			want = judge.Fail
		}
		c := Check{Field: "stored", Has: []string{"P0113"}, Exact: true}
		x := c.Compare(r, &Facts{Known: known})
		require.Equal(t, want, x.Outcome, x.Text)
		require.Contains(t, x.Text, "said not to be known")
	}
}
