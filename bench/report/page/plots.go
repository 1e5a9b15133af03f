package page

import (
	"fmt"
	"html/template"
	"slices"
	"strings"

	"sawhorse/bench/judge"
	"sawhorse/bench/report"
	"sawhorse/bench/trace"
)

// plot is one signal over time.
type plot struct {
	Name, Text, Range string
	Picture           template.HTML
}

const (
	plotHeight = 84
	plotWidth  = 1000
	maxOthers  = 48
)

// always are the signals that a person looks at first, if they moved.
var always = []string{"engine_rpm", "battery_v", "vehicle_kmh"}

// plots are the signals that the scenario speaks of, and the others that moved.
func plots(r *report.Run) (first, others []plot) {
	a := newAxis(r.Length)
	for _, s := range r.Trace.Signals() {
		named := slices.Contains(r.Signals, s.Name)
		switch {
		case named || s.Moved && slices.Contains(always, s.Name):
			first = append(first, draw(r, a, &s))
		case s.Moved && len(others) < maxOthers:
			others = append(others, draw(r, a, &s))
		}
	}
	return first, others
}

func draw(r *report.Run, a axis, s *trace.Signal) plot {
	lo, hi, any := extent(s.Ranges)
	p := plot{Name: s.Name, Text: s.Text}
	unit := s.Unit
	height := plotHeight
	switch {
	case !any:
		p.Range = "no value"
	case unit == "bool":
		p.Range, height = "high is yes", laneHeight
		lo, hi = 0, 1
	case lo == hi:
		height = laneHeight
		p.Range = "always " + strings.TrimSpace(value(lo)+" "+unit)
	default:
		p.Range = strings.TrimSpace(value(lo) + " to " + value(hi) + " " + unit)
	}
	var b strings.Builder
	open(&b, s.Name+", "+p.Range, a, height)
	for _, f := range spans(r.Trace, judge.FaultOn, judge.FaultOff, a.end) {
		fmt.Fprintf(&b, `<rect class="shade" x="%s" width="%.2f%%" height="100%%"/>`, a.percent(f.from), a.share(f.to)-a.share(f.from))
	}
	for i := range r.Verdicts {
		if v := &r.Verdicts[i]; v.Outcome == judge.Fail || v.Outcome == judge.Undecided {
			x := a.percent(v.Decided)
			fmt.Fprintf(&b, `<line class="when" x1="%s" x2="%s" y1="0" y2="100%%"/>`, x, x)
		}
	}
	fmt.Fprintf(&b, `<svg width="100%%" height="%d" viewBox="0 0 %d %d" preserveAspectRatio="none"><path class="curve" d="%s"/></svg>`,
		height, plotWidth, height, curve(s, a, lo, hi, height))
	b.WriteString(`</svg>`)
	p.Picture = template.HTML(b.String())
	return p
}

func extent(ranges []trace.Range) (lo, hi float32, any bool) {
	for _, r := range ranges {
		if r.Min != r.Min {
			continue
		}
		if !any {
			lo, hi, any = r.Min, r.Max, true
		}
		lo, hi = min(lo, r.Min), max(hi, r.Max)
	}
	return lo, hi, any
}

// curve goes through the least and the greatest value of every step, and leaves the
// points out at which nothing changes.
func curve(s *trace.Signal, a axis, lo, hi float32, height int) string {
	const margin = 4
	span := float64(hi - lo)
	y := func(v float32) string {
		if span == 0 {
			return coordinate(float64(height) / 2)
		}
		return coordinate(float64(height) - margin - (float64(height)-2*margin)*float64(v-lo)/span)
	}
	var b strings.Builder
	last, held := "", ""
	point := func(x, y string) {
		if b.Len() == 0 {
			b.WriteString("M" + x + " " + y)
		} else {
			b.WriteString("L" + x + " " + y)
		}
	}
	before := lo
	for i, r := range s.Ranges {
		if r.Min != r.Min {
			continue
		}
		x := coordinate(plotWidth * float64(i) * float64(s.Width) / float64(a.end))
		one, two := r.Min, r.Max
		if before > (r.Min+r.Max)/2 {
			one, two = two, one
		}
		before = two
		yOne, yTwo := y(one), y(two)
		if yOne == yTwo && yOne == last {
			held = x
			continue
		}
		if held != "" {
			point(held, last)
		}
		if point(x, yOne); yTwo != yOne {
			point(x, yTwo)
		}
		last, held = yTwo, ""
	}
	if held != "" {
		point(held, last)
	}
	return b.String()
}
