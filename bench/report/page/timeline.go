package page

import (
	"fmt"
	"html/template"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/report"
	"sawhorse/bench/trace"
)

// timeline is the picture of what happened when: a lane a kind of thing.
type timeline struct {
	Scale template.HTML
	Lanes []lane
}

type lane struct {
	Name, Note string
	Picture    template.HTML
}

const (
	laneHeight = 22
	maxBars    = 200 // in a lane of spans
	maxDots    = 300 // in a lane of moments
)

func newTimeline(r *report.Run) *timeline {
	t, a := r.Trace, newAxis(r.Length)
	tl := &timeline{Scale: template.HTML(a.scale())}
	tl.spanLane(a, "Faults", "on", "fault", spans(t, judge.FaultOn, judge.FaultOff, a.end))
	tl.spanLane(a, "Tasks of the tool", "from start to end", "task", spans(t, judge.TaskStart, judge.TaskEnd, a.end))
	tl.dotLane(a, "Driver", "a move", "move", marks(t, judge.Driver))
	tl.verdictLane(a, r)
	for _, l := range []struct {
		lane              trace.Lane
		name, note, class string
	}{
		{trace.Requests, "Requests of the tool", "messages", "request"},
		{trace.Positive, "Positive responses", "messages", "positive"},
		{trace.Negative, "Negative responses", "messages", "negative"},
		{trace.Lines, "Lines of the tool", "lines", "said"},
		{trace.ToolFrames, "Frames of the tool", "frames", "toolframe"},
		{trace.CarFrames, "Frames of the car", "frames", "carframe"},
		{trace.Altered, "Frames that faults altered", "frames", "negative"},
		{trace.Errors, "Error reports on the bus", "reports", "negative"},
	} {
		tl.countLane(a, t, l.lane, l.name, l.note, l.class)
	}
	return tl
}

// span is something that lasted.
type span struct {
	name     string
	from, to time.Duration
	text     string
}

// spans pairs beginnings and ends of a name; what did not end lasts to the end.
func spans(t *trace.Trace, begin, end judge.Kind, last time.Duration) []span {
	var list []span
	open := map[string][]int{}
	for _, e := range marks(t, begin, end) {
		at := open[e.Name]
		switch {
		case e.Kind == begin:
			open[e.Name] = append(at, len(list))
			list = append(list, span{name: e.Name, from: e.Time, to: last})
		case len(at) > 0:
			s := &list[at[0]]
			s.to, s.text = e.Time, e.Status
			open[e.Name] = at[1:]
		}
	}
	return list
}

func open(b *strings.Builder, label string, a axis, height int) {
	fmt.Fprintf(b, `<svg class="lane" width="100%%" height="%d" role="img" aria-label="%s">`, height, esc(label))
	a.grid(b)
}

// spanLane draws bars with their names in them; where names overlap in time they
// get rows of their own.
func (tl *timeline) spanLane(a axis, name, note, class string, list []span) {
	if len(list) == 0 {
		return
	}
	rows := map[string]int{}
	for _, s := range list {
		if _, ok := rows[s.name]; !ok && len(rows) < 12 {
			rows[s.name] = len(rows)
		}
	}
	serial := !overlapping(list)
	height := laneHeight
	if !serial {
		height *= len(rows)
	}
	var b strings.Builder
	open(&b, name, a, height)
	for i, s := range list {
		if i == maxBars {
			break
		}
		y := 0
		if !serial {
			y = rows[s.name] * laneHeight
		}
		fmt.Fprintf(&b, `<svg x="%s" y="%d" width="%.2f%%" height="%d" class="bar %s"><title>%s, %s to %s s %s</title><rect width="100%%" height="%d" y="2" rx="3"/><text x="4" y="15">%s</text></svg>`,
			a.percent(s.from), y, max(0.3, a.share(s.to)-a.share(s.from)), laneHeight, class,
			esc(s.name), seconds(s.from), seconds(s.to), esc(s.text), laneHeight-4, esc(s.name))
	}
	b.WriteString(`</svg>`)
	if len(list) > maxBars {
		note += fmt.Sprintf("; the first %d of %d", maxBars, len(list))
	}
	tl.Lanes = append(tl.Lanes, lane{Name: name, Note: note, Picture: template.HTML(b.String())})
}

func overlapping(list []span) bool {
	for i := 1; i < len(list); i++ {
		if list[i].from < list[i-1].to {
			return true
		}
	}
	return false
}

// dotLane draws moments.
func (tl *timeline) dotLane(a axis, name, note, class string, list []trace.Event) {
	if len(list) == 0 {
		return
	}
	var b strings.Builder
	open(&b, name, a, laneHeight)
	for i, e := range list {
		if i == maxDots {
			note += fmt.Sprintf("; the first %d of %d", maxDots, len(list))
			break
		}
		fmt.Fprintf(&b, `<circle class="%s" cx="%s" cy="11" r="4"><title>%s s: %s</title></circle>`, class, a.percent(e.Time), seconds(e.Time), esc(e.Text))
	}
	b.WriteString(`</svg>`)
	tl.Lanes = append(tl.Lanes, lane{Name: name, Note: note, Picture: template.HTML(b.String())})
}

// verdictLane marks when each expectation that was not met was decided.
func (tl *timeline) verdictLane(a axis, r *report.Run) {
	var b strings.Builder
	open(&b, "Expectations that were not met", a, laneHeight)
	n := 0
	for i := range r.Verdicts {
		v := &r.Verdicts[i]
		if v.Outcome.Met() {
			continue
		}
		n++
		fmt.Fprintf(&b, `<svg x="%s" y="0" width="1" height="%d" overflow="visible" class="broken"><title>%s s: %s</title><path d="M-5 17L0 6L5 17Z"/></svg>`,
			a.percent(v.Decided), laneHeight, seconds(v.Decided), esc(v.ID+": "+v.Says))
	}
	b.WriteString(`</svg>`)
	if n > 0 {
		tl.Lanes = append(tl.Lanes, lane{Name: "Expectations not met", Note: "when it was decided", Picture: template.HTML(b.String())})
	}
}

// countLane draws how many there were in each step, as bars.
func (tl *timeline) countLane(a axis, t *trace.Trace, which trace.Lane, name, unit, class string) {
	counts, width := t.Counts(which)
	var most uint32
	total := 0
	for _, n := range counts {
		most, total = max(most, n), total+int(n)
	}
	if most == 0 {
		return
	}
	var b strings.Builder
	open(&b, name, a, laneHeight)
	// The steps end where the trace's do, which is at or after the run's end.
	steps := float64(a.end) / float64(width)
	fmt.Fprintf(&b, `<svg width="100%%" height="%d" viewBox="0 0 %s %d" preserveAspectRatio="none"><path class="%s" d="`,
		laneHeight, coordinate(max(steps, 1)*10), laneHeight, class)
	for i, n := range counts {
		if n == 0 {
			continue
		}
		h := 3 + float64(laneHeight-5)*float64(n)/float64(most)
		fmt.Fprintf(&b, "M%d %dv-%sh9v%sz", i*10, laneHeight-1, coordinate(h), coordinate(h))
	}
	b.WriteString(`"/></svg></svg>`)
	note := fmt.Sprintf("%s %s, at most %s in %v", number(total), unit, number(int(most)), width)
	tl.Lanes = append(tl.Lanes, lane{Name: name, Note: note, Picture: template.HTML(b.String())})
}
