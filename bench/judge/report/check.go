package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/task"
)

// Check is one comparison of what the tool said with what was true.
type Check struct {
	// Field is the name of a task.Field; Name is the monitor or the live value.
	Field, Name string
	// Has and Lacks are entries that the list must and must not have; with
	// Exact, Has is the whole list, in any order. Modules are given by name or by
	// request identifier; the latter count only if the tool tells any.
	Has, Lacks []string
	Exact      bool
	// AtLeast and AtMost bound the number of entries; 0 is no bound.
	AtLeast, AtMost int
	// Text is the value wanted of vin, lamp, learn and readiness. Car takes the
	// car's own VIN or number of ECUs.
	Text string
	Car  bool
	// Signal names the true signal that a live value must be near; "" compares
	// with Number. Within is the tolerance. The truth may be as old as Age, 0:
	// as the task.
	Signal string
	Number float64
	Within float64
	Age    time.Duration
}

// Facts are what a report is compared with.
type Facts struct {
	// VIN and ECUs are the car's own.
	VIN  string
	ECUs []string
	// Range gives the least and the greatest value of a true signal over a time, with
	// its unit; false where it was not recorded.
	Range func(signal string, from, to time.Duration) (low, high float64, unit string, ok bool)
	// Started and Now are the beginning and the end of the task.
	Started, Now time.Duration
	// Silent reports that somebody who was asked for a field has said nothing of it; nil
	// that nobody knows whether.
	Silent func(field string) bool
	// OrSilent allows a field that is not said.
	OrSilent bool
	// Known says that what is wanted can be read: a tool that says not to know it has
	// not done its work.
	Known bool
}

// Finding is what one check came to.
type Finding struct {
	Outcome judge.Outcome
	Margin  judge.Margin
	// Share is the margin as a share of the tolerance: what is tightest of
	// values in different units.
	Share float64
	Text  string
	// Positives are entries that were said and not true, Negatives those that were
	// true and not said.
	Positives, Negatives int
}

// Compare holds a report against the facts. Where the tool says that a field is not
// known, of any control unit, and somebody was asked and did not answer, what it leaves
// out cannot be told; what it says can. Nor can it be told that there is nothing, where
// it knows of no control unit. A tool that does not know what was answered, or never
// asked, has no such excuse.
func (c *Check) Compare(r *judge.Report, f *Facts) Finding {
	x := c.compare(r, f)
	field, _ := task.FieldOf(c.Field)
	missed := x.Outcome == judge.Fail && x.Positives == 0 && r.NotKnown().Has(field.Field)
	none := x.Outcome == judge.Pass && c.Exact && !f.OrSilent && r.Lost().Has(field.Field)
	if (missed || none) && f.Known {
		return Finding{Outcome: judge.Fail, Text: c.title() + " is said not to be known, and could have been read", Negatives: max(1, len(c.Has))}
	}
	if (missed || none) && (f.Silent == nil || f.Silent(c.Field)) {
		return Finding{Outcome: judge.Undecided, Text: c.title() + " is said not to be known"}
	}
	return x
}

func (c *Check) compare(r *judge.Report, f *Facts) Finding {
	field, _ := task.FieldOf(c.Field)
	switch {
	case !r.Reads.Has(field.Field):
		return Finding{Outcome: judge.NotApplicable, Text: c.title()}
	case !r.Says.Has(field.Field) && f.OrSilent:
		return Finding{Outcome: judge.Pass}
	case !r.Says.Has(field.Field):
		return Finding{Outcome: judge.Fail, Text: c.title() + " is not reported", Negatives: max(1, len(c.Has))}
	}
	switch field.Shape {
	case task.Units:
		return c.modules(r, f)
	case task.Codes, task.Texts:
		return c.list(r.List(c.Field), f)
	case task.Values:
		return c.live(r, f)
	}
	want := c.Text
	if c.Car {
		want = f.VIN
	}
	got, ok := r.Word(c.Field, c.Name)
	switch {
	case !ok:
		return Finding{Outcome: judge.Fail, Text: c.title() + " is not reported", Negatives: 1}
	case got != want:
		x := Finding{Outcome: judge.Fail, Text: fmt.Sprintf("%s is reported as %q, wanted is %q", c.title(), got, want)}
		x.Positives, x.Negatives = mistaken(&field, want)
		return x
	}
	return Finding{Outcome: judge.Pass}
}

// mistaken counts a word that was said in another's place. A lamp, a monitor, a learn
// or an output that is said to be on, complete or done (the first of the field's words)
// and is not is said too much; the reverse is left out. Of any other value both hold.
func mistaken(f *task.Field, want string) (positives, negatives int) {
	switch {
	case len(f.Words) == 0:
		return 1, 1
	case want == f.Words[0]:
		return 0, 1
	}
	return 1, 0
}

func (c *Check) title() string {
	if c.Name != "" {
		return c.Field + " " + c.Name
	}
	return c.Field
}

// isAddress tells a module's identifier from its name: three or eight hex digits.
func isAddress(entry string) bool {
	if len(entry) != 3 && len(entry) != 8 {
		return false
	}
	return strings.Trim(entry, "0123456789ABCDEF") == ""
}

// modules compares by identifier where the scenario gives identifiers.
func (c *Check) modules(r *judge.Report, f *Facts) Finding {
	if !slices.ContainsFunc(slices.Concat(c.Has, c.Lacks), isAddress) {
		return c.list(r.ECUs, f)
	}
	count := *c
	count.Has, count.Lacks, count.Exact = nil, nil, false
	x := count.list(r.ECUs, f)
	if x.Outcome == judge.Fail || r.Addresses == nil {
		return x
	}
	entries := *c
	entries.AtLeast, entries.AtMost = 0, 0
	return entries.list(r.Addresses, f)
}

// list counts what is missing and what is too much, each on its own. One
// entry of the list serves one that is wanted.
func (c *Check) list(got []string, f *Facts) Finding {
	has, exact := c.Has, c.Exact
	if c.Car {
		has, exact = f.ECUs, true
	}
	rest := slices.Clone(got)
	var missing, extra []string
	for _, w := range has {
		if i := slices.Index(rest, w); i >= 0 {
			rest = slices.Delete(rest, i, i+1)
		} else {
			missing = append(missing, w)
		}
	}
	for _, g := range rest {
		if exact || slices.Contains(c.Lacks, g) {
			extra = append(extra, g)
		}
	}
	var parts []string
	off, few, many := 0, 0, 0
	if n := len(got); n < c.AtLeast {
		off = c.AtLeast - n
		few = off
		parts = append(parts, fmt.Sprintf("%d entries, wanted are at least %d", n, c.AtLeast))
	} else if c.AtMost > 0 && n > c.AtMost {
		off = n - c.AtMost
		many = off
		parts = append(parts, fmt.Sprintf("%d entries, wanted are at most %d", n, c.AtMost))
	}
	if off += len(missing) + len(extra); off == 0 {
		return Finding{Outcome: judge.Pass}
	}
	if len(missing) > 0 {
		parts = append(parts, strings.Join(missing, " ")+" wanted and not said")
	}
	if len(extra) > 0 {
		parts = append(parts, strings.Join(extra, " ")+" said and not wanted")
	}
	return Finding{
		Outcome: judge.Fail, Margin: judge.Margin{Value: -float64(off), Unit: "entries", Known: true}, Share: -float64(off),
		Text:      fmt.Sprintf("%s: %s; reported [%s]", c.Field, strings.Join(parts, ", "), strings.Join(got, " ")),
		Positives: max(many, len(extra)), Negatives: max(few, len(missing)),
	}
}

// live compares a value with the range of the truth while it can have been
// read: from Age before (the start of the task) to the moment of reading (its end).
func (c *Check) live(r *judge.Report, f *Facts) Finding {
	l, ok := r.LiveValue(c.Name)
	if !ok {
		return Finding{Outcome: judge.Fail, Text: c.title() + " is not reported", Negatives: 1}
	}
	if math.IsNaN(l.Value) || math.IsInf(l.Value, 0) {
		return Finding{Outcome: judge.Fail, Text: fmt.Sprintf("%s is reported as %v, which is no number", c.title(), l.Value), Positives: 1}
	}
	low, high, unit := c.Number, c.Number, ""
	if c.Signal != "" {
		to := f.Now
		if l.HasTime {
			to = l.At
		}
		from := f.Started
		if c.Age > 0 {
			from = max(from, to-c.Age)
		}
		if low, high, unit, ok = f.Range(c.Signal, from, to); !ok {
			return Finding{Outcome: judge.Ours, Text: fmt.Sprintf("the true %s was not recorded from %s to %s", c.Signal, judge.Seconds(from), judge.Seconds(to))}
		}
	}
	away := max(low-l.Value, l.Value-high, 0)
	x := Finding{Outcome: judge.Pass, Margin: judge.Margin{Value: c.Within - away, Unit: unit, Known: true}}
	if c.Within > 0 {
		x.Share = x.Margin.Value / c.Within
	} else {
		x.Share = x.Margin.Value
	}
	if away > c.Within {
		x.Outcome, x.Positives = judge.Fail, 1
		x.Text = fmt.Sprintf("%s is reported as %g, true was %.4g to %.4g, allowed is %g off", c.title(), l.Value, low, high, c.Within)
	}
	return x
}
