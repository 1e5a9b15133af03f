package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/bench/judge"
)

var rewrite = flag.Bool("update", false, "write the golden files anew")

// runs has one verdict of every kind.
func runs() []Run {
	return []Run{{
		Scenario: "clutch-learn", Title: "Teach a fresh engine ECU the clutch", Seed: 7, Length: 20580 * time.Millisecond, Frames: 425,
		Again: "sawhorse run --again out/clutch-learn/run.json", Capture: "out/clutch-learn/capture.pcapng",
		Verdicts: []judge.Verdict{
			{ID: "no-crank", Says: "The engine does not turn", Outcome: judge.Pass, Margin: judge.Margin{Value: 20, Unit: "rev/min", Known: true}, Reason: "never came", Decided: 20 * time.Second},
			{ID: "read-first", Says: "The codes are read before they are cleared", Outcome: judge.Fail, Cause: judge.Broken,
				Margin: judge.Margin{Value: -1.25, Unit: "s", Known: true}, Reason: "clearing came at 3.000 s without reading before it", Decided: 3 * time.Second,
				Evidence: []judge.Evidence{{Time: 3 * time.Second, First: 41, Last: 41, Text: "request 7DF [04]"}, {Time: 4250 * time.Millisecond, First: 50, Last: 52, Text: "request 7DF [03]"}}},
			{ID: "ends", Says: "The health check ends well", Outcome: judge.Fail, Cause: judge.Hung, Reason: "the tool had not ended after 30.000 s and was stopped",
				Evidence: []judge.Evidence{{Time: 35 * time.Second, Task: "health-check", Line: 3, Text: "\"waiting\x1b[2J for the car\""}}},
			{ID: "late", Says: "It comes in time", Outcome: judge.Undecided, Reason: "the run ended at 20.580 s, it had until 30.000 s"},
			{ID: "learn", Says: "The learn task ends well", Outcome: judge.NotApplicable, Reason: `the tool's profile has no task "learn"`},
			{ID: "session", Says: "The session is opened first", Outcome: judge.Pass, Nothing: true, Reason: "nothing to judge: the routine never came"},
			{ID: "reset", Says: "The tool closes its session", Outcome: judge.Advice, Reason: "the session ran out by itself",
				Evidence: []judge.Evidence{{Time: 12 * time.Second, First: 300, Last: 300, Text: "request 7E0 [10 03]"}}},
			{ID: "sum", Says: "A condition that divides", Outcome: judge.Ours, Reason: "a condition cannot be evaluated: division by zero"},
			{ID: "rule/session-left", Group: judge.GroupRule, Says: "The tool leaves every session that it has opened before it goes", Source: "ISO 14229-1:2013 clause 9.2",
				Why: "A control unit that is left in a session may run with functions switched off.", Outcome: judge.Fail, Cause: judge.Broken, Reason: "engine is left in session 03",
				Evidence: []judge.Evidence{{Time: 12 * time.Second, First: 301, Last: 301, Text: "response 7E8 [50 03]"}, {Time: 20 * time.Second, Text: "task learn ends: ok"}}},
			{ID: "rule/frame-length", Group: judge.GroupRule, Says: "Every frame has eight data bytes", Source: "ISO 15765-4:2011 clause 10", Why: "A shorter one is ignored.", Outcome: judge.Pass, Reason: "kept 40 times"},
			{ID: "rule/flow-form", Group: judge.GroupRule, Says: "Flow control is not reserved", Source: "ISO 15765-2:2016 clause 9.6.5", Why: "It aborts the answer.", Outcome: judge.Pass, Reason: "kept once"},
			{ID: "truth/stored", Group: judge.GroupReport, Says: "The stored codes that the tool reports are those that the control units answered", Source: "the answers of the control units",
				Why: "A code that is made up sends somebody looking.", Outcome: judge.Fail, Cause: judge.Broken, Margin: judge.Margin{Value: -3, Unit: "entries", Known: true}, FalsePositives: 1, FalseNegatives: 2,
				Reason:   "1 said and not true, 2 true and not said, 0 right: health-check: code P08A0 is said, not true",
				Evidence: []judge.Evidence{{Time: 4 * time.Second, First: 60, Last: 61, Text: "response 7E8 [43 02]"}}},
			{ID: "truth/vin", Group: judge.GroupReport, Says: "The number is one that was answered", Source: "the answers of the control units", Why: "It is another car.", Outcome: judge.Pass, Reason: "1 entry in 1 report, all true"},
		},
	}, {
		Scenario: "healthy", Title: "A car with nothing wrong", Seed: 7, Length: 15 * time.Second, Frames: 126, Again: "sawhorse run --again out/healthy/run.json",
		Verdicts: []judge.Verdict{{ID: "runs", Says: "The engine runs", Outcome: judge.Pass, Reason: "came at 2.740 s", Decided: 2740 * time.Millisecond}},
	}, {
		Scenario: "real-drive", Title: "Read through traffic", Seed: 7, Length: time.Second, Again: "sawhorse run --again out/real-drive/run.json",
		Err: errors.New("the bus has gone"),
	}}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *rewrite {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}

func table(t *testing.T, opt TableOptions) string {
	t.Helper()
	var b bytes.Buffer
	list := runs()
	for i := range list {
		require.NoError(t, Table(&b, &list[i], opt))
	}
	require.NoError(t, Summary(&b, list))
	return b.String()
}

func TestTable(t *testing.T) {
	plain := table(t, TableOptions{})
	golden(t, "table.txt", plain)
	require.NotContains(t, plain, "\x1b", "what a tool printed must not move the cursor")
	quiet := table(t, TableOptions{Quiet: true})
	require.NotContains(t, quiet, "The engine does not turn")
	require.Contains(t, quiet, "read-first")

	// With colours it is the same table once they are taken out.
	coloured := table(t, TableOptions{Bold: true})
	var b strings.Builder
	for rest := coloured; rest != ""; {
		before, after, found := strings.Cut(rest, "\x1b[")
		b.WriteString(before)
		if !found {
			break
		}
		_, rest, found = strings.Cut(after, "m")
		require.True(t, found)
	}
	require.Equal(t, plain, b.String())
	require.NotEqual(t, plain, coloured)
}

func TestAFailureSaysHowToRepeatIt(t *testing.T) {
	lines := strings.Split(table(t, TableOptions{}), "\n")
	var repeats []string
	for _, l := range lines {
		if strings.Contains(l, "repeat it") {
			repeats = append(repeats, strings.TrimSpace(l))
		}
	}
	require.Equal(t, []string{
		"repeat it: sawhorse run --again out/clutch-learn/run.json",
		"repeat it: sawhorse run --again out/real-drive/run.json",
	}, repeats, "once for each run that did not pass, and for no other")
}

func junit(t *testing.T, list []Run) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, JUnit(&b, list))
	return b.Bytes()
}

func TestJUnit(t *testing.T) {
	golden(t, "junit.xml", string(junit(t, runs())))
}

// The schema is junit-4.xsd, published under the MIT licence with the model of a
// continuous integration server; xmllint judges.
func TestJUnitIsValid(t *testing.T) {
	lint, err := exec.LookPath("xmllint")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("xmllint is not installed")
		}
		t.Skip("xmllint is not installed")
	}
	validate := func(doc []byte) error {
		cmd := exec.Command(lint, "--noout", "--schema", "testdata/junit-4.xsd", "-")
		cmd.Stdin = bytes.NewReader(doc)
		if out, err := cmd.CombinedOutput(); err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		return nil
	}
	doc := junit(t, runs())
	require.NoError(t, validate(doc))
	require.NoError(t, validate(junit(t, nil)))
	require.Error(t, validate(bytes.Replace(doc, []byte("<testcase name="), []byte("<testcase id="), 1)), "the schema can refuse")
}

type readBack struct {
	Tests, Failures, Errors int `xml:",attr"`
	Suites                  []struct {
		Name                             string `xml:"name,attr"`
		Tests, Failures, Errors, Skipped int    `xml:",attr"`
		Properties                       []struct {
			Name  string `xml:"name,attr"`
			Value string `xml:"value,attr"`
		} `xml:"properties>property"`
		Cases []struct {
			Name    string    `xml:"name,attr"`
			Skipped *struct{} `xml:"skipped"`
			Error   *struct{} `xml:"error"`
			Failure *struct {
				Type string `xml:"type,attr"`
				Text string `xml:",chardata"`
			} `xml:"failure"`
		} `xml:"testcase"`
	} `xml:"testsuite"`
}

func lower(doc []byte) []byte { // attributes of readBack's counts
	for _, a := range []string{"tests", "failures", "errors", "skipped"} {
		doc = bytes.ReplaceAll(doc, []byte(" "+a+"=\""), []byte(" "+strings.ToUpper(a[:1])+a[1:]+"=\""))
	}
	return doc
}

func TestJUnitCountsAddUp(t *testing.T) {
	var got readBack
	require.NoError(t, xml.Unmarshal(lower(junit(t, runs())), &got))
	require.Equal(t, [3]int{15, 5, 2}, [3]int{got.Tests, got.Failures, got.Errors})
	tests := 0
	for _, s := range got.Suites {
		failures, skipped, errs := 0, 0, 0
		for _, c := range s.Cases {
			if c.Failure != nil {
				failures++
				require.Contains(t, c.Failure.Text, "repeat it: sawhorse run --again")
			}
			if c.Skipped != nil {
				skipped++
			}
			if c.Error != nil {
				errs++
			}
		}
		require.Equal(t, [4]int{len(s.Cases), failures, errs, skipped}, [4]int{s.Tests, s.Failures, s.Errors, s.Skipped})
		require.Equal(t, "7", s.Properties[0].Value, "the seed")
		tests += s.Tests
	}
	require.Equal(t, got.Tests, tests)
	require.Contains(t, got.Suites[0].Cases[1].Failure.Text, "3.000 s frame 41: request 7DF [04]")
	require.Equal(t, "hung", got.Suites[0].Cases[2].Failure.Type)
}

// Whatever a tool prints: the XML can be read, and the table is printable text.
func TestAnyTextIsSafe(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := string(rapid.SliceOf(rapid.Byte()).Draw(t, "bytes"))
		if rapid.Bool().Draw(t, "runes") {
			text = rapid.String().Draw(t, "text")
		}
		list := runs()
		v := &list[0].Verdicts[1]
		v.ID, v.Says, v.Reason, v.Evidence[0].Text = text, text, text, text
		list[0].Again, list[0].Title, list[0].Scenario, list[0].Capture = text, text, text, text
		var b bytes.Buffer
		if err := JUnit(&b, list); err != nil {
			t.Fatal(err)
		}
		dec := xml.NewDecoder(bytes.NewReader(b.Bytes()))
		for {
			if _, err := dec.Token(); err != nil {
				if err.Error() != "EOF" {
					t.Fatalf("%q: %v", text, err)
				}
				break
			}
		}
		b.Reset()
		if err := Table(&b, &list[0], TableOptions{}); err != nil {
			t.Fatal(err)
		}
		for _, r := range b.String() {
			if r != '\n' && unicode.IsControl(r) || r == utf8.RuneError {
				t.Fatalf("%q leaves %U in the table", text, r)
			}
		}
	})
}

func TestStatus(t *testing.T) {
	one := func(o judge.Outcome, err error) []Run {
		return []Run{{Verdicts: []judge.Verdict{{Outcome: judge.Pass}, {Outcome: o}}, Err: err}}
	}
	gave := func(c judge.Cause) []Run { return []Run{{Verdicts: []judge.Verdict{{Outcome: judge.Fail, Cause: c}}}} }
	for _, c := range []struct {
		runs []Run
		want int
	}{
		{nil, Passed},
		{one(judge.Pass, nil), Passed},
		{one(judge.NotApplicable, nil), Passed},
		{one(judge.Advice, nil), Passed},
		{one(judge.Fail, nil), Failed},
		{one(judge.Undecided, nil), Open},
		{one(judge.Ours, nil), CouldNot},
		{one(judge.Pass, errors.New("no bus")), CouldNot},
		{one(judge.Fail, errors.New("no bus")), CouldNot},
		{append(one(judge.Fail, nil), one(judge.Pass, nil)...), Failed},
		{append(one(judge.Fail, nil), one(judge.Undecided, nil)...), Failed},
		{gave(judge.Hung), GaveOut},
		{gave(judge.Crashed), GaveOut},
		{append(one(judge.Fail, nil), gave(judge.Crashed)...), GaveOut},
		{append(one(judge.Ours, nil), gave(judge.Crashed)...), CouldNot},
	} {
		require.Equal(t, c.want, Status(c.runs))
	}
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestAFullDiskIsTold(t *testing.T) {
	list := runs()
	require.ErrorContains(t, Table(brokenWriter{}, &list[0], TableOptions{}), "disk full")
	require.ErrorContains(t, JUnit(brokenWriter{}, list), "disk full")
	require.ErrorContains(t, Summary(brokenWriter{}, list), "disk full")
}

// What a scenario warns of is told to whoever may repeat it on a real car: after a run
// that did not pass, and after one in which somebody held the tool.
func TestCautionsAreShown(t *testing.T) {
	r := Run{Scenario: "x", Title: "y", Cautions: []string{"Wheels blocked."}}
	told := func() string {
		var b bytes.Buffer
		require.NoError(t, Table(&b, &r, TableOptions{}))
		return b.String()
	}
	require.NotContains(t, told(), "Wheels")
	r.Person = true
	require.Contains(t, told(), "caution, on a real car: Wheels blocked.")
	r.Person, r.Verdicts = false, []judge.Verdict{{ID: "a", Outcome: judge.Fail}}
	require.Contains(t, told(), "caution, on a real car: Wheels blocked.")
}
