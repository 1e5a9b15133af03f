package report

import (
	"fmt"
	"slices"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/task"
)

// tally is what one field came to.
type tally struct {
	reports, right, positives, negatives int
	// held says that something wrong was said while no fault could excuse it.
	held     bool
	wrong    []string
	evidence []judge.Evidence
	at       time.Duration
}

// comparison is one field of one report.
type comparison struct {
	set   *Set
	h     *heard
	r     *judge.Report
	o     *judge.Observation
	t     *tally
	name  string
	field task.Fields
	said  bool
}

// count adds what has changed to the counts of the task.
func (c *comparison) count(before *tally) *Count {
	d := Count{c.o.Task, c.t.right - before.right, c.t.positives - before.positives, c.t.negatives - before.negatives}
	i := slices.IndexFunc(c.set.counts, func(x Count) bool { return x.Task == d.Task })
	if i < 0 {
		i = len(c.set.counts)
		c.set.counts = append(c.set.counts, Count{Task: d.Task})
	}
	x := &c.set.counts[i]
	x.True += d.True
	x.FalsePositives += d.FalsePositives
	x.FalseNegatives += d.FalseNegatives
	return &d
}

// positive notes an entry that was said and is not true.
func (c *comparison) positive(text string, by ...judge.Evidence) {
	c.t.positives++
	c.note(text+" is said, not true", by)
}

// negative notes one that is true and was not said. A tool that gave up, or could not
// trust an answer, may leave it out; and so may every tool in a task in which nobody looks
// for it: who learns the clutch of one control unit owes no list of all.
func (c *comparison) negative(text string, by ...judge.Evidence) {
	asked := true
	if t, ok := task.Find(c.o.Task); ok {
		asked = t.Tells.Has(c.field)
	}
	if asked && !c.set.altered && c.o.Status == judge.StatusOK {
		c.missed(text, by)
	}
}

func (c *comparison) missed(text string, by []judge.Evidence) {
	c.t.negatives++
	c.note(text+" is true, not said", by)
}

func (c *comparison) note(text string, by []judge.Evidence) {
	const most = 6
	c.t.held = c.t.held || !c.set.altered
	if len(c.t.wrong) == 0 {
		c.t.at = c.o.Time
	}
	c.t.wrong = append(c.t.wrong, fmt.Sprintf("%s: %s", c.o.Task, text))
	end := judge.Evidence{Time: c.o.Time, Text: "task " + c.o.Task + " ends: " + c.o.Status}
	for _, e := range append(slices.Clone(by), end) {
		if len(c.t.evidence) < most && !slices.Contains(c.t.evidence, e) {
			c.t.evidence = append(c.t.evidence, e)
		}
	}
}
