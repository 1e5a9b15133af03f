package report

import (
	"encoding/xml"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"sawhorse/bench/judge"
)

// The elements of JUnit XML, in the form that continuous integration servers
// read: one suite a scenario, one case an expectation or rule.
type (
	junitSuites struct {
		XMLName  xml.Name     `xml:"testsuites"`
		Name     string       `xml:"name,attr"`
		Tests    int          `xml:"tests,attr"`
		Failures int          `xml:"failures,attr"`
		Errors   int          `xml:"errors,attr"`
		Time     string       `xml:"time,attr"`
		Suites   []junitSuite `xml:"testsuite"`
	}
	junitSuite struct {
		Name       string          `xml:"name,attr"`
		Tests      int             `xml:"tests,attr"`
		Failures   int             `xml:"failures,attr"`
		Errors     int             `xml:"errors,attr"`
		Skipped    int             `xml:"skipped,attr"`
		Time       string          `xml:"time,attr"`
		Properties []junitProperty `xml:"properties>property"`
		Cases      []junitCase     `xml:"testcase"`
	}
	junitProperty struct {
		Name  string `xml:"name,attr"`
		Value string `xml:"value,attr"`
	}
	junitCase struct {
		Name      string       `xml:"name,attr"`
		ClassName string       `xml:"classname,attr"`
		Time      string       `xml:"time,attr"`
		Skipped   string       `xml:"skipped,omitempty"` // a bare text in the schema
		Error     *junitReason `xml:"error,omitempty"`
		Failure   *junitReason `xml:"failure,omitempty"`
		Output    string       `xml:"system-out,omitempty"`
	}
	junitReason struct {
		Message string `xml:"message,attr"`
		Type    string `xml:"type,attr,omitempty"`
		Text    string `xml:",chardata"`
	}
)

// JUnit writes the runs as JUnit XML, valid by its published schema. Times are seconds of the run, so equal runs
// in virtual time give equal files. What is not applicable is skipped, what the
// bench itself broke is an error, undecided counts as a failure; a failure that the
// baseline knows is skipped and says so. Advice is a case that passed, with what is
// advised as its output.
func JUnit(w io.Writer, runs []Run) error {
	doc := junitSuites{Name: "sawhorse"}
	var total time.Duration
	for i := range runs {
		s := suite(&runs[i])
		doc.Tests += s.Tests
		doc.Failures += s.Failures
		doc.Errors += s.Errors
		total += runs[i].Length
		doc.Suites = append(doc.Suites, s)
	}
	doc.Time = seconds(total)
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	enc := xml.NewEncoder(w)
	enc.Indent("", "  ")
	if err := enc.Encode(doc); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}

func suite(r *Run) junitSuite {
	s := junitSuite{Name: clean(r.ID()), Time: seconds(r.Length)}
	s.Properties = []junitProperty{{"seed", strconv.FormatUint(r.Seed, 10)}}
	if r.Capture != "" {
		s.Properties = append(s.Properties, junitProperty{"capture", clean(r.Capture)})
	}
	for _, p := range r.Params {
		s.Properties = append(s.Properties, junitProperty{"parameter", clean(p)})
	}
	for i := range r.Earlier {
		s.Properties = append(s.Properties, junitProperty{fmt.Sprintf("attempt %d", i+1), clean(r.Earlier[i].outcome())})
	}
	if r.Flaky() {
		s.Properties = append(s.Properties, junitProperty{"flaky", "true"})
	}
	for i := range r.Verdicts {
		v := &r.Verdicts[i]
		c := junitCase{Name: clean(v.ID + ": " + v.Says), ClassName: s.Name, Time: seconds(v.Decided)}
		if v.Group != "" {
			c.ClassName += " " + v.Group
		}
		switch reason := because(r, v); v.Outcome {
		case judge.Pass:
			c.Output = passed(v)
		case judge.Advice:
			c.Output = "advice: " + account(v)
		case judge.NotApplicable:
			c.Skipped, s.Skipped = clean(v.Reason), s.Skipped+1
		case judge.Ours:
			c.Error, s.Errors = reason, s.Errors+1
		default:
			if slices.Contains(r.Known, v.ID) {
				c.Skipped, s.Skipped = "known by the baseline: "+clean(v.Reason), s.Skipped+1
				break
			}
			c.Failure, s.Failures = reason, s.Failures+1
		}
		s.Cases = append(s.Cases, c)
	}
	if r.Err != nil {
		s.Cases = append(s.Cases, junitCase{
			Name: "the run itself", ClassName: s.Name, Time: seconds(r.Length),
			Error: &junitReason{Message: clean(r.Err.Error()), Type: "could not run", Text: again(r)},
		})
		s.Errors++
	}
	s.Tests = len(s.Cases)
	return s
}

func because(r *Run, v *judge.Verdict) *junitReason {
	kind := v.Outcome.String()
	if v.Outcome == judge.Fail {
		kind = v.Cause.String()
	}
	return &junitReason{Message: clean(v.Reason), Type: kind, Text: "\n" + account(v) + again(r)}
}

// account is the reason, the evidence and the margin, a line each.
func account(v *judge.Verdict) string {
	var b strings.Builder
	fmt.Fprintln(&b, clean(v.Reason))
	for _, e := range v.Evidence {
		fmt.Fprintln(&b, clean(e.String()))
	}
	if v.Margin.Known {
		fmt.Fprintf(&b, "margin %s\n", v.Margin)
	}
	if v.Source != "" {
		fmt.Fprintf(&b, "%s\nsource: %s\n", clean(v.Why), clean(v.Source))
	}
	return b.String()
}

// passed is what is worth knowing of what passed: why, and how near it was.
func passed(v *judge.Verdict) string {
	s := clean(v.Reason)
	if v.Margin.Known {
		s += "; margin " + v.Margin.String()
	}
	return s
}

func again(r *Run) string {
	if r.Again == "" {
		return ""
	}
	return "repeat it: " + clean(r.Again) + "\n"
}

func seconds(d time.Duration) string { return strconv.FormatFloat(d.Seconds(), 'f', 3, 64) }
