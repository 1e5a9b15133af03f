package page

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/report"
	"sawhorse/bench/trace"
)

//go:embed page.css
var style string

//go:embed page.js
var script string

//go:embed page.html
var pageText string

//go:embed index.html
var indexText string

// policy allows this style, this script and the empty icon, and nothing else from
// anywhere.
var policy = "default-src 'none'; style-src '" + digest(style) + "'; script-src '" + digest(script) +
	"'; img-src data:; base-uri 'none'; form-action 'none'"

func digest(text string) string {
	h := sha256.Sum256([]byte(text))
	return "sha256-" + base64.StdEncoding.EncodeToString(h[:])
}

// Options say what stands around a page.
type Options struct {
	// Capture is the run's recording as the page should link it; "" for none.
	Capture string
}

// view is what the page's template is given.
type view struct {
	*report.Run
	Policy   string
	Style    template.CSS
	Script   template.JS
	Link     string
	Word     string // of the whole run
	Class    string
	Counts   string
	Verdicts []verdictView
	Kept     []verdictView // rules for every tool that were kept
	Said     []verdictView // what the tool said and was right in
	Timeline *timeline
	Plots    []plot
	Others   []plot
	Exchange *exchange
}

type verdictView struct {
	judge.Verdict
	Word, Class, Mark string
	Open, Known       bool
	Evidence          []evidenceView
}

type evidenceView struct {
	Time, Where, Text string
	Anchor            string // of the row that shows it; "" if none does
}

// words, classes and marks of the outcomes. A mark is told by its shape as well as
// by its colour.
var outcomes = map[judge.Outcome][3]string{
	judge.Pass: {"passed", "pass", "●"}, judge.Fail: {"failed", "fail", "▲"}, judge.Undecided: {"undecided", "open", "◇"},
	judge.NotApplicable: {"not applicable", "none", "–"}, judge.Ours: {"not run", "open", "■"},
	judge.Advice: {"advice", "advice", "◆"},
}

// Write writes the page of a run. A run without a trace has verdicts only.
func Write(w io.Writer, r *report.Run, opt Options) error {
	t, err := template.New("page").Parse(pageText)
	if err != nil {
		return err
	}
	v := &view{Run: r, Policy: policy, Style: template.CSS(style), Script: template.JS(script), Link: opt.Capture}
	v.Word, v.Class = whole(r)
	if r.Trace != nil {
		ex := newExchange(r)
		v.Exchange = ex
		v.Timeline = newTimeline(r)
		v.Plots, v.Others = plots(r)
	}
	for i := range r.Verdicts {
		w := viewOf(r, &r.Verdicts[i], v.Exchange)
		switch {
		case !report.Kept(&r.Verdicts[i]):
			v.Verdicts = append(v.Verdicts, w)
		case w.Group == judge.GroupReport:
			v.Said = append(v.Said, w)
		default:
			v.Kept = append(v.Kept, w)
		}
	}
	return t.Execute(w, v)
}

// whole is what became of the run.
func whole(r *report.Run) (word, class string) {
	switch {
	case r.Flaky():
		return "passed, but not at the first attempt", "open"
	}
	switch r.Status() {
	case report.Failed:
		return "failed", "fail"
	case report.GaveOut:
		return "failed: the tool hung or crashed", "fail"
	case report.Open:
		return "undecided", "open"
	case report.CouldNot:
		return "could not be run to its end", "open"
	}
	return "passed", "pass"
}

func viewOf(r *report.Run, v *judge.Verdict, ex *exchange) verdictView {
	o := outcomes[v.Outcome]
	w := verdictView{Verdict: *v, Word: o[0], Class: o[1], Mark: o[2], Known: slices.Contains(r.Known, v.ID)}
	w.Open = !v.Outcome.Met()
	if v.Cause != judge.NoCause && v.Cause != judge.Broken {
		w.Word += " (" + v.Cause.String() + ")"
	}
	for _, e := range v.Evidence {
		x := evidenceView{Time: seconds(e.Time), Text: e.Text, Where: where(&e)}
		if ex != nil {
			x.Anchor = ex.anchor(&e)
		}
		w.Evidence = append(w.Evidence, x)
	}
	return w
}

// where names the frames or the line of a piece of evidence.
func where(e *judge.Evidence) string {
	switch {
	case e.First > 0:
		return frames(int32(e.First), int32(e.Last))
	case e.Line > 0:
		return e.Task + " line " + number(e.Line)
	}
	return ""
}

// marks are the faults, tasks and moves of a trace.
func marks(t *trace.Trace, kinds ...judge.Kind) []trace.Event {
	var list []trace.Event
	for _, e := range t.Events() {
		if slices.Contains(kinds, e.Kind) {
			list = append(list, e)
		}
	}
	return list
}

// Entry is a run in an index, with the files of its pages, the attempts in their
// order; none if they were not kept.
type Entry struct {
	Run   *report.Run
	Files []string
}

// Index writes a page that lists runs and links their pages.
func Index(w io.Writer, list []Entry) error {
	t, err := template.New("index").Parse(indexText)
	if err != nil {
		return err
	}
	type row struct {
		ID, Title, Word, Class, Files, Length string
		Links                                 []string
		Failed                                []string
	}
	v := struct {
		Policy string
		Style  template.CSS
		Rows   []row
		Passed int
	}{Policy: policy, Style: template.CSS(style)}
	for _, e := range list {
		x := row{ID: e.Run.ID(), Title: e.Run.Title, Links: e.Files, Length: e.Run.Length.Round(10 * time.Millisecond).String()}
		x.Word, x.Class = whole(e.Run)
		if e.Run.Status() == report.Passed {
			v.Passed++
		}
		for i := range e.Run.Verdicts {
			if d := &e.Run.Verdicts[i]; !d.Outcome.Met() {
				x.Failed = append(x.Failed, d.ID)
			}
		}
		v.Rows = append(v.Rows, x)
	}
	return t.Execute(w, v)
}

// Facts are what the head of the page says of the run.
func (v *view) Facts() [][2]string {
	list := [][2]string{{"seed", number(int(v.Seed))}, {"length", v.Length.Round(time.Millisecond).String() + " of " + firstOf(v.Time, "its own") + " time"},
		{"frames", number(v.Frames)}}
	if v.Tool != "" {
		list = append(list, [2]string{"tool", v.Tool})
	}
	if len(v.Params) > 0 {
		list = append(list, [2]string{"parameters", strings.Join(v.Params, ", ")})
	}
	return list
}

// Broken is why the run broke off; "" if it did not.
func (v *view) Broken() string {
	if v.Err == nil {
		return ""
	}
	return v.Err.Error()
}

func firstOf(words ...string) string {
	for _, w := range words {
		if w != "" {
			return w
		}
	}
	return ""
}
