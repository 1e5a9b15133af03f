package page_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/report"
	"sawhorse/bench/report/page"
	"sawhorse/bench/signal"
	"sawhorse/bench/trace"
)

// hostile is a text that would run, break out of an attribute, or end a style.
const hostile = `<script>alert(1)</script>"'><img src=//x.test/a onerror=alert(2)></style></svg>]]>`

// run makes a run with so many pairs of messages, and everything else once.
func run(pairs int, text string) *report.Run {
	var table signal.Table
	rpm, on := table.Define("engine_rpm", "rev/min", "crankshaft speed"), table.Define("cranking", "bool", "starter turns")
	table.Define("gear", "", "gear engaged")
	tr := trace.New(&table)
	see := func(at time.Duration, kind judge.Kind, name string) {
		o := judge.Saw(kind, at)
		o.Text = text
		switch kind {
		case judge.FaultOn, judge.FaultOff:
			o.Fault = name
		case judge.Driver:
			o.Control = name
		case judge.Line:
			o.Task, o.Line = name, 1
		default:
			o.Task, o.Status = name, "ok"
		}
		tr.Observe(&o)
	}
	see(0, judge.FaultOn, "air-mass-dead"+text)
	see(0, judge.TaskStart, "health-check"+text)
	see(0, judge.Driver, "key")
	see(time.Millisecond, judge.Line, "health-check"+text)
	step := 10 * time.Millisecond
	at := step
	for i := range pairs {
		q := judge.Message(judge.Request, at, []byte{0x22, 0xF1, byte(0x80 + i%32)})
		q.First, q.Last, q.ECU, q.ID = 2*i+1, 2*i+1, "engine"+text, 0x7E0
		tr.Observe(&q)
		tr.Frame(at, trace.ToolFrames)
		a := judge.Message(judge.Response, at+step/2, []byte{0x7F, 0x22, 0x31})
		a.First, a.Last, a.ECU, a.ID = 2*i+2, 2*i+2, "engine"+text, 0x7E8
		tr.Observe(&a)
		tr.Frame(at+step/2, trace.CarFrames)
		table.Set(rpm, 600+300*math.Sin(float64(i)/50))
		table.SetBool(on, i%100 < 10)
		tr.Sample(at)
		at += step
	}
	see(at, judge.TaskEnd, "health-check"+text)
	see(at, judge.FaultOff, "air-mass-dead"+text)
	tr.Close(at)
	middle := pairs / 2
	return &report.Run{
		Scenario: "workshop", Title: "A run " + text, About: text, Seed: 1, Length: at, Frames: 2 * pairs, Tool: text, Time: "virtual",
		Again: "sawhorse run --again " + text, Trace: tr, Signals: []string{"engine_rpm", "cranking"}, Params: []string{text},
		Verdicts: []judge.Verdict{
			{ID: "a" + text, Says: "It holds", Outcome: judge.Pass, Reason: text, Margin: judge.Margin{Value: 1, Unit: "s", Known: true}},
			{ID: "b" + text, Says: text, Outcome: judge.Fail, Reason: text, Decided: time.Duration(middle) * step,
				Evidence: []judge.Evidence{{Time: time.Duration(middle) * step, First: 2*middle + 1, Last: 2*middle + 1, Text: text},
					{Time: time.Millisecond, Task: "health-check" + text, Line: 1, Text: text}}},
			{ID: "c", Says: "It comes", Outcome: judge.Undecided, Reason: "the run ended"},
		},
	}
}

func html(t testing.TB, r *report.Run) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, page.Write(&b, r, page.Options{Capture: "workshop.pcapng"}))
	return b.String()
}

func TestNoTextLeavesItsPlace(t *testing.T) {
	text := html(t, run(20, hostile))
	require.NotContains(t, text, "<script>alert")
	require.NotContains(t, text, "<img")
	require.Equal(t, 1, strings.Count(text, "<script>"), "the page's own")
	require.Equal(t, 1, strings.Count(text, "</style>"))
	require.Contains(t, text, "&lt;script&gt;alert(1)")
	var b bytes.Buffer
	require.NoError(t, page.Index(&b, []page.Entry{{Run: run(1, hostile), Files: []string{"a.html", `javascript:alert(1)`}}}))
	require.NotContains(t, b.String(), "<script")
	require.NotContains(t, b.String(), `href="javascript:`)
}

var (
	hrefs = regexp.MustCompile(`href="#([^"]+)"`)
	ids   = regexp.MustCompile(` id="([^"]+)"`)
)

func TestEveryLinkHasItsPlace(t *testing.T) {
	for _, pairs := range []int{0, 3, 5000} {
		text := html(t, run(pairs, ""))
		var have []string
		for _, m := range ids.FindAllStringSubmatch(text, -1) {
			require.NotContains(t, have, m[1], "ids are unique")
			have = append(have, m[1])
		}
		found := hrefs.FindAllStringSubmatch(text, -1)
		require.NotEmpty(t, found)
		for _, m := range found {
			require.Contains(t, have, m[1])
		}
		if pairs > 0 {
			require.Contains(t, text, fmt.Sprintf(`<a href="#f%d">frame %d</a>`, 2*(pairs/2)+1, 2*(pairs/2)+1), "the failure's frame is shown")
			require.Contains(t, text, "ReadDataByIdentifier refused: requestOutOfRange (31)")
		}
	}
}

// A hundred thousand messages: the page is no larger than one of a few thousand, what
// the failure rests on is in it, and the rest is counted.
func TestALongRunHasABoundedPage(t *testing.T) {
	const pairs = 50_000
	long := html(t, run(pairs, ""))
	t.Logf("%d messages: %d kB; %d messages: %d kB", 2*pairs, len(long)/1000, 4000, len(html(t, run(2000, "")))/1000)
	require.Less(t, len(long), 1_000_000)
	require.Contains(t, long, "100000 diagnostic messages, of which ")
	require.Contains(t, long, `id="f50001"`)
	require.Regexp(t, `[0-9\x{202f}]+ messages and 0 other events are not shown, .* frames \d+–\d+: .* × ReadDataByIdentifier`, long)
}

func TestARunWithoutATrace(t *testing.T) {
	r := run(1, "")
	r.Trace = nil
	text := html(t, r)
	require.Contains(t, text, "It comes")
	require.NotContains(t, text, "Timeline")
}

func TestTheSameRunGivesTheSamePage(t *testing.T) {
	require.Equal(t, html(t, run(300, "x")), html(t, run(300, "x")))
}

// luminance and contrast are those of WCAG 2.2, "relative luminance" and "contrast
// ratio".
func luminance(hex string) float64 {
	n, _ := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	var l float64
	for i, w := range []float64{0.2126, 0.7152, 0.0722} {
		c := float64(n>>(16-8*i)&0xFF) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		l += w * c
	}
	return l
}

func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// Success criterion 1.4.3 of WCAG 2.2: text has a contrast of 4.5 to 1, light and dark;
// 1.4.11: drawings 3 to 1.
func TestTextCanBeReadInLightAndDark(t *testing.T) {
	require.InDelta(t, 21, contrast("#000000", "#ffffff"), 0.001, "the greatest there is")
	css, err := os.ReadFile("page.css")
	require.NoError(t, err)
	blocks := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(string(css), 2)
	require.Len(t, blocks, 2)
	for i, b := range blocks {
		colour := map[string]string{}
		for _, m := range regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]{6})`).FindAllStringSubmatch(strings.ReplaceAll(b[1], "#fff;", "#ffffff;"), -1) {
			colour[m[1]] = m[2]
		}
		require.Greater(t, len(colour), 15)
		for _, c := range []struct {
			ink, on string
			least   float64
		}{
			{"ink", "paper", 4.5}, {"ink", "sheet", 4.5}, {"quiet", "paper", 4.5}, {"quiet", "sheet", 4.5}, {"ink", "here", 4.5}, {"quiet", "here", 4.5},
			{"pass", "sheet", 4.5}, {"fail", "sheet", 4.5}, {"open", "sheet", 4.5}, {"none", "sheet", 4.5}, {"pass", "paper", 4.5}, {"fail", "paper", 4.5},
			{"open", "paper", 4.5}, {"fault-ink", "fault", 4.5}, {"task-ink", "task", 4.5}, {"curve", "sheet", 3}, {"curve", "shade", 3}, {"fail", "shade", 3},
		} {
			require.GreaterOrEqual(t, contrast(colour[c.ink], colour[c.on]), c.least, "%s on %s in block %d", c.ink, c.on, i)
		}
	}
}

func TestHeadingsAreInOrder(t *testing.T) {
	text := html(t, run(10, ""))
	var levels []string
	for _, m := range regexp.MustCompile(`<h(\d)`).FindAllStringSubmatch(text, -1) {
		levels = append(levels, m[1])
	}
	require.Equal(t, []string{"1", "2", "2", "2", "2"}, levels)
	require.Contains(t, text, `<html lang="en">`)
	for _, m := range regexp.MustCompile(`<svg class="lane"[^>]*>`).FindAllString(text, -1) {
		require.Contains(t, m, `aria-label="`, "a picture has words")
	}
	require.True(t, slices.Contains(strings.Fields(text), "<caption>Between"), "a table has a caption")
}

func BenchmarkPageOfALongRun(b *testing.B) {
	r := run(50_000, "")
	for b.Loop() {
		html(b, r)
	}
}

// A request to all reaches those who listen to its identifier: the brake unit, which
// never says a word, and not the body unit, which lies between them and is spoken to by
// an identifier of its own (ISO 15765-4:2016: 7DF is for the units of OBD only).
func TestARequestToAllReachesThoseWhoListen(t *testing.T) {
	tr := trace.New(nil)
	tr.Groups = []trace.Group{{ID: 0x7DF, Units: []string{"engine", "brake"}}}
	at := time.Duration(0)
	see := func(kind judge.Kind, id int, ecu string, data ...byte) {
		at += 10 * time.Millisecond
		o := judge.Message(kind, at, data)
		o.First, o.Last, o.ID, o.ECU, o.Functional = int(at/(10*time.Millisecond)), int(at/(10*time.Millisecond)), id, ecu, ecu == ""
		tr.Observe(&o)
	}
	see(judge.Request, 0x7A0, "body", 0x3E, 0x00)
	see(judge.Response, 0x7A8, "body", 0x7E, 0x00)
	see(judge.Request, 0x7DF, "", 0x01, 0x0C, 0x0D)
	see(judge.Response, 0x7E8, "engine", 0x41, 0x0C, 0x09, 0x70, 0x0D, 0x32)
	tr.Close(at)
	var b bytes.Buffer
	require.NoError(t, page.Write(&b, &report.Run{Scenario: "a", Length: at, Trace: tr}, page.Options{}))
	doc := b.String()

	// Lifelines are 44 apart: the tool at 22, body at 66, engine at 110, brake at 154.
	for i, name := range []string{"tool", "body", "engine", "brake"} {
		require.Regexp(t, fmt.Sprintf(`%d[^<]*>[^<]*%s`, 22+44*i, name), doc)
	}
	arrow := regexp.MustCompile(`<g id="af7DF">(.*?)</g>`).FindStringSubmatch(doc)
	require.NotNil(t, arrow)
	require.Equal(t, `<path d="M22 9H154"/><path class="head" d="M110 9l-8-4v8z"/><path class="head" d="M154 9l-8-4v8z"/>`, arrow[1])
	require.Contains(t, doc, `aria-label="tool to engine, brake"><use href="#af7DF"/>`)
	require.Contains(t, doc, "engine speed 604 rev/min, vehicle speed 50 km/h")

	// A trace that does not tell who listens: all that are known.
	tr.Groups = nil
	b.Reset()
	require.NoError(t, page.Write(&b, &report.Run{Scenario: "a", Length: at, Trace: tr}, page.Options{}))
	require.Contains(t, b.String(), `<g id="af7DF"><path d="M22 9H110"/><path class="head" d="M66 9l-8-4v8z"/><path class="head" d="M110 9l-8-4v8z"/></g>`)
}
