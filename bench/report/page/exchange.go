package page

import (
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/report"
	"sawhorse/bench/trace"
	"sawhorse/canbus/diag"
	"sawhorse/canbus/uds"
)

// Bounds of the exchange that is shown.
const (
	maxRows   = 1500
	pageRows  = 150 // a page of it, as the script turns them
	edgeRows  = 150 // at the beginning and at the end
	nearRows  = 40  // on each side of what a verdict rests on
	maxMarks  = 300
	maxUnits  = 8 // lifelines of control units
	laneWidth = 44
	maxBytes  = 12 // of a message that are shown
)

// exchange is the sequence diagram: a row a message, between them what happened.
type exchange struct {
	Units    []string // lifelines, the tool's first
	Width    int
	Arrows   template.HTML // the drawings that rows refer to
	Pages    [][]row
	Messages int // there were
	Shown    int
	Lost     int

	shared  []sharedArrow
	anchors map[[2]int32]string // by first and last frame
	lines   map[string]string   // by task and line
}

// row is a message, a mark or a gap.
type row struct {
	ID, Class, Time, Frames, Arrow, Who string
	Text, Bytes                         string
	Wide                                bool // no message: the text goes across
}

const tool = "tool"

func newExchange(r *report.Run) *exchange {
	events := r.Trace.Events()
	x := &exchange{anchors: map[[2]int32]string{}, lines: map[string]string{}, Lost: r.Trace.Lost}
	x.Units = append([]string{tool}, units(r.Trace, events)...)
	x.Width = laneWidth * len(x.Units)
	x.shared = sharedArrows(r.Trace, events, x.Units)
	x.Arrows = template.HTML(arrows(len(x.Units), x.shared))
	wanted := choose(r, events)
	var rows []row
	from := 0 // of a gap
	for i := range events {
		if isMessage(&events[i]) {
			x.Messages++
		}
		if !wanted[i] {
			continue
		}
		rows = appendGap(rows, events[from:i])
		from = i + 1
		rows = append(rows, x.row(&events[i], i))
		if isMessage(&events[i]) {
			x.Shown++
		}
	}
	rows = appendGap(rows, events[from:])
	for len(rows) > pageRows {
		x.Pages = append(x.Pages, rows[:pageRows])
		rows = rows[pageRows:]
	}
	x.Pages = append(x.Pages, rows)
	return x
}

func isMessage(e *trace.Event) bool { return e.Kind == judge.Request || e.Kind == judge.Response }

// units are the control units in the order in which they first appear, those that only
// listened included.
func units(t *trace.Trace, events []trace.Event) []string {
	var list []string
	add := func(name string) {
		if name != "" && !slices.Contains(list, name) && len(list) < maxUnits {
			list = append(list, name)
		}
	}
	for i := range events {
		if e := &events[i]; isMessage(e) {
			add(e.Name)
			if e.Functional {
				for _, name := range t.Hear(e.ID) {
					add(name)
				}
			}
		}
	}
	if len(list) == 0 {
		list = []string{"car"}
	}
	return list
}

// choose says which events are shown. All of a short run; of a long one the edges,
// the marks, and what is near the evidence, that of failures first.
func choose(r *report.Run, events []trace.Event) []bool {
	wanted := make([]bool, len(events))
	if len(events) <= maxRows {
		for i := range wanted {
			wanted[i] = true
		}
		return wanted
	}
	left := maxRows
	take := func(from, to, most int) {
		for i := max(0, from); i < min(to, len(events)) && most > 0 && left > 0; i++ {
			if !wanted[i] {
				wanted[i] = true
				left--
				most--
			}
		}
	}
	take(0, edgeRows, edgeRows)
	take(len(events)-edgeRows, len(events), edgeRows)
	n := 0
	for i := range events {
		if events[i].Kind >= judge.FaultOn && n < maxMarks {
			n++
			take(i, i+1, 1)
		}
	}
	near := func(sound bool, rows int) {
		for i := range r.Verdicts {
			v := &r.Verdicts[i]
			if v.Outcome.Met() != sound {
				continue
			}
			for _, e := range v.Evidence {
				at := place(events, &e)
				take(at-rows, at+rows+1, 2*rows+1)
			}
		}
	}
	near(false, nearRows)
	near(true, 2)
	take(0, len(events), left/2) // what room is left: more of the beginning and the end
	take(len(events)-edgeRows-left, len(events), left)
	return wanted
}

// place is where among the events a piece of evidence is.
func place(events []trace.Event, e *judge.Evidence) int {
	i, _ := slices.BinarySearchFunc(events, e.Time, func(x trace.Event, t time.Duration) int {
		if x.Time < t {
			return -1
		}
		return 1
	})
	return min(i, len(events)-1)
}

// appendGap adds the row that stands for events that are not shown.
func appendGap(rows []row, gone []trace.Event) []row {
	if len(gone) == 0 {
		return rows
	}
	messages, first, last := 0, int32(0), int32(0)
	services := map[string]int{}
	for i := range gone {
		e := &gone[i]
		if !isMessage(e) || len(e.Data) == 0 {
			continue
		}
		messages++
		if first == 0 {
			first = e.First
		}
		last = max(last, e.Last)
		if e.Kind == judge.Request {
			services[uds.Service(e.Data[0]).String()]++
		}
	}
	text := fmt.Sprintf("%s messages and %s other events are not shown, %s s to %s s", number(messages), number(len(gone)-messages),
		seconds(gone[0].Time), seconds(gone[len(gone)-1].Time))
	if first > 0 {
		text += ", " + frames(first, last)
	}
	if list := most(services, 4); list != "" {
		text += ": " + list
	}
	return append(rows, row{Class: "gap", Text: text, Wide: true})
}

// most lists the n services that were asked most often.
func most(services map[string]int, n int) string {
	names := make([]string, 0, len(services))
	for name := range services {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int {
		if d := services[b] - services[a]; d != 0 {
			return d
		}
		return strings.Compare(a, b)
	})
	var parts []string
	for i, name := range names {
		if i == n {
			parts = append(parts, fmt.Sprintf("and %d other services", len(names)-n))
			break
		}
		parts = append(parts, fmt.Sprintf("%s × %s", number(services[name]), name))
	}
	return strings.Join(parts, ", ")
}

func (x *exchange) row(e *trace.Event, i int) row {
	w := row{ID: fmt.Sprintf("e%d", i), Time: seconds(e.Time), Wide: true}
	switch e.Kind {
	case judge.Request, judge.Response:
		return x.message(e, w)
	case judge.Line:
		w.Class, w.Text = "said", fmt.Sprintf("%s line %d: %s", e.Name, e.Line, e.Text)
		x.lines[fmt.Sprintf("%s/%d/%d", e.Name, e.Line, e.Time)] = w.ID
	case judge.FaultOn:
		w.Class, w.Text = "fault", "fault on: "+e.Name
	case judge.FaultOff:
		w.Class, w.Text = "fault", "fault off: "+e.Name
	case judge.TaskStart:
		w.Class, w.Text = "task", "the tool is asked: "+e.Name
	case judge.TaskEnd:
		w.Class, w.Text = "task", fmt.Sprintf("%s ends: %s, %s", e.Name, e.Status, e.Text)
	default:
		w.Class, w.Text = "move", "driver: "+e.Text
	}
	return w
}

func (x *exchange) message(e *trace.Event, w row) row {
	w.Wide = false
	w.ID = fmt.Sprintf("f%d", e.First)
	x.anchors[[2]int32{e.First, e.Last}] = w.ID
	w.Frames = frameRange(e.First, e.Last)
	answer := e.Kind == judge.Response
	w.Text = diag.Explain(e.Data, answer)
	for i := range min(len(e.Data), maxBytes) {
		w.Bytes += fmt.Sprintf("%02X ", e.Data[i])
	}
	w.Bytes = strings.TrimSpace(w.Bytes)
	if int(e.Length) > maxBytes {
		w.Bytes += fmt.Sprintf(" … %d bytes", e.Length)
	}
	unit := max(1, slices.Index(x.Units, e.Name))
	switch {
	case e.Functional:
		a := x.sharedArrow(e.ID)
		w.Class, w.Arrow, w.Who = "request", a.ref(), "tool to "+a.who
	case !answer:
		w.Class, w.Arrow, w.Who = "request", fmt.Sprintf("aq%d", unit), "tool to "+e.Name
	default:
		w.Class, w.Arrow, w.Who = "positive", fmt.Sprintf("ap%d", unit), e.Name+" to tool"
		if len(e.Data) > 0 && e.Data[0] == uds.NegativeResponse {
			w.Class, w.Arrow = "negative", fmt.Sprintf("an%d", unit)
			if len(e.Data) > 2 && uds.NRC(e.Data[2]) == uds.ResponsePending {
				w.Class, w.Arrow = "wait", fmt.Sprintf("ap%d", unit)
			}
		}
	}
	return w
}

func frameRange(first, last int32) string {
	if last > first {
		return fmt.Sprintf("%d–%d", first, last)
	}
	return fmt.Sprint(first)
}

// sharedArrow is a request to all who listen to an identifier: a head at each of their
// lifelines, and none at those in between.
type sharedArrow struct {
	id    int32
	lanes []int
	who   string
}

func (a *sharedArrow) ref() string { return fmt.Sprintf("af%X", a.id) }

func sharedArrows(t *trace.Trace, events []trace.Event, units []string) []sharedArrow {
	var list []sharedArrow
	for i := range events {
		e := &events[i]
		if !isMessage(e) || !e.Functional || slices.ContainsFunc(list, func(a sharedArrow) bool { return a.id == e.ID }) {
			continue
		}
		a := sharedArrow{id: e.ID, who: "all units"}
		if hear := t.Hear(e.ID); hear != nil {
			a.who = strings.Join(hear, ", ")
			for _, name := range hear {
				if k := slices.Index(units, name); k > 0 {
					a.lanes = append(a.lanes, k)
				}
			}
		} else { // an old trace does not tell who listens
			for k := range units[1:] {
				a.lanes = append(a.lanes, k+1)
			}
		}
		list = append(list, a)
	}
	return list
}

func (x *exchange) sharedArrow(id int32) *sharedArrow {
	return &x.shared[slices.IndexFunc(x.shared, func(a sharedArrow) bool { return a.id == id })]
}

// arrows are the drawings that rows refer to: one a direction and unit, one a shared
// identifier.
func arrows(units int, shared []sharedArrow) string {
	var b strings.Builder
	mid := func(i int) int { return laneWidth*i + laneWidth/2 }
	for i := 1; i < units; i++ {
		from, to := mid(0), mid(i)
		fmt.Fprintf(&b, `<g id="aq%d"><path d="M%d 9H%d"/><path class="head" d="M%d 9l-8-4v8z"/></g>`, i, from, to, to)
		fmt.Fprintf(&b, `<g id="ap%d"><path d="M%d 9H%d"/><path class="head" d="M%d 9l8-4v8z"/></g>`, i, to, from, from)
		fmt.Fprintf(&b, `<g id="an%d"><path stroke-dasharray="4 3" d="M%d 9H%d"/><path d="M%d 4l10 10m0-10l-10 10"/></g>`, i, to, from, from-5)
	}
	for _, a := range shared {
		far := 0
		for _, i := range a.lanes {
			far = max(far, i)
		}
		fmt.Fprintf(&b, `<g id="%s"><path d="M%d 9H%d"/>`, a.ref(), mid(0), mid(far))
		for _, i := range a.lanes {
			fmt.Fprintf(&b, `<path class="head" d="M%d 9l-8-4v8z"/>`, mid(i))
		}
		b.WriteString(`</g>`)
	}
	return b.String()
}

// Middle is where a lifeline is.
func (x *exchange) Middle(i int) int { return laneWidth*i + laneWidth/2 }

// anchor is the row that shows a piece of evidence; "" if none does.
func (x *exchange) anchor(e *judge.Evidence) string {
	if e.Line > 0 {
		return x.lines[fmt.Sprintf("%s/%d/%d", e.Task, e.Line, e.Time)]
	}
	return x.anchors[[2]int32{int32(e.First), int32(e.Last)}]
}
