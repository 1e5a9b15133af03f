package report

import (
	"bufio"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"sawhorse/bench/judge"
)

//go:embed verdicts.schema.json
var schema []byte

// Schema is the JSON Schema (2020-12) of one line that Lines writes.
func Schema() []byte { return slices.Clone(schema) }

// LinesFormat is the version of the lines' layout.
const LinesFormat = 1

// The lines. Times are seconds since the run began.
type (
	runLine struct {
		Kind     string   `json:"kind"` // run
		Format   int      `json:"format"`
		Run      string   `json:"run"`
		Scenario string   `json:"scenario"`
		Title    string   `json:"title,omitempty"`
		Seed     uint64   `json:"seed"`
		Params   []string `json:"params,omitempty"`
		Tool     string   `json:"tool,omitempty"`
		Time     string   `json:"time,omitempty"`
		Attempt  int      `json:"attempt"`
		Outcome  string   `json:"outcome"`
		Flaky    bool     `json:"flaky"`
		Length   float64  `json:"length_s"`
		Frames   int      `json:"frames"`
		Capture  string   `json:"capture,omitempty"`
		Again    string   `json:"again,omitempty"`
		Error    string   `json:"error,omitempty"`
	}
	verdictLine struct {
		Kind        string         `json:"kind"` // verdict
		Run         string         `json:"run"`
		Attempt     int            `json:"attempt"`
		Expectation string         `json:"expectation"`
		Group       string         `json:"group,omitempty"`
		Says        string         `json:"says"`
		Source      string         `json:"source,omitempty"`
		Why         string         `json:"why,omitempty"`
		Outcome     string         `json:"outcome"`
		Cause       string         `json:"cause,omitempty"`
		Nothing     bool           `json:"nothing,omitempty"`
		Known       bool           `json:"known,omitempty"`
		Margin      *marginLine    `json:"margin,omitempty"`
		Positives   int            `json:"false_positives,omitempty"`
		Negatives   int            `json:"false_negatives,omitempty"`
		Reason      string         `json:"reason"`
		Decided     float64        `json:"decided_s"`
		Evidence    []evidenceLine `json:"evidence,omitempty"`
	}
	marginLine struct {
		Value float64 `json:"value"`
		Unit  string  `json:"unit,omitempty"`
	}
	evidenceLine struct {
		At    float64 `json:"at_s"`
		First int     `json:"first_frame,omitempty"`
		Last  int     `json:"last_frame,omitempty"`
		Task  string  `json:"task,omitempty"`
		Line  int     `json:"line,omitempty"`
		Text  string  `json:"text"`
	}
)

// Lines writes the runs as JSON, a line a run and a line for each of its verdicts,
// all in the order given. Earlier attempts come before the one that counts.
func Lines(w io.Writer, runs []Run) error {
	b := bufio.NewWriter(w)
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	for i := range runs {
		for k := range runs[i].Earlier {
			if err := runs[i].Earlier[k].lines(enc, runs[i].ID(), k+1); err != nil {
				return err
			}
		}
		if err := runs[i].lines(enc, runs[i].ID(), len(runs[i].Earlier)+1); err != nil {
			return err
		}
	}
	return b.Flush()
}

func (r *Run) lines(enc *json.Encoder, id string, attempt int) error {
	l := runLine{
		Kind: "run", Format: LinesFormat, Run: id, Scenario: r.Scenario, Title: r.Title, Seed: r.Seed, Params: r.Params,
		Tool: r.Tool, Time: r.Time, Attempt: attempt, Outcome: StatusWord(r.Status()), Flaky: r.Flaky(),
		Length: r.Length.Seconds(), Frames: r.Frames, Capture: r.Capture, Again: r.Again,
	}
	if r.Err != nil {
		l.Error = r.Err.Error()
	}
	if err := enc.Encode(l); err != nil {
		return err
	}
	for i := range r.Verdicts {
		v := &r.Verdicts[i]
		l := verdictLine{
			Kind: "verdict", Run: id, Attempt: attempt, Expectation: v.ID, Group: v.Group, Says: v.Says, Source: v.Source, Why: v.Why, Outcome: v.Outcome.String(),
			Cause: v.Cause.String(), Nothing: v.Nothing, Known: slices.Contains(r.Known, v.ID),
			Positives: v.FalsePositives, Negatives: v.FalseNegatives,
			Reason: v.Reason, Decided: v.Decided.Seconds(),
		}
		if v.Margin.Known {
			l.Margin = &marginLine{v.Margin.Value, v.Margin.Unit}
		}
		for _, e := range v.Evidence {
			l.Evidence = append(l.Evidence, evidenceLine{e.Time.Seconds(), e.First, e.Last, e.Task, e.Line, e.Text})
		}
		if err := enc.Encode(l); err != nil {
			return err
		}
	}
	return nil
}

const maxLine = 4 << 20

// ReadLines reads what Lines wrote. Errors name the line. Of a run only what the
// lines tell comes back: its trace does not.
func ReadLines(r io.Reader) ([]Run, error) {
	sc := bufio.NewScanner(r)
	sc.Buffer(nil, maxLine)
	var runs []Run
	for n := 1; sc.Scan(); n++ {
		var kind struct{ Kind string }
		err := json.Unmarshal(sc.Bytes(), &kind)
		switch {
		case err != nil:
		case kind.Kind == "run":
			var l runLine
			if err = json.Unmarshal(sc.Bytes(), &l); err != nil {
				break
			}
			if l.Format != LinesFormat {
				err = fmt.Errorf("format is %d, want %d", l.Format, LinesFormat)
				break
			}
			run := l.run()
			if last := len(runs) - 1; l.Attempt > 1 && last >= 0 {
				before := runs[last]
				list := before.Earlier
				before.Earlier = nil
				run.Earlier = append(list, before)
				runs = runs[:last]
			}
			runs = append(runs, run)
		case kind.Kind == "verdict" && len(runs) > 0:
			var l verdictLine
			if err = json.Unmarshal(sc.Bytes(), &l); err == nil {
				err = l.join(&runs[len(runs)-1])
			}
		default:
			err = fmt.Errorf("kind is %q, want run, or verdict after its run", kind.Kind)
		}
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
	}
	return runs, sc.Err()
}

func (l *runLine) run() Run {
	r := Run{
		Name: l.Run, Scenario: l.Scenario, Title: l.Title, Seed: l.Seed, Params: l.Params, Tool: l.Tool, Time: l.Time,
		Length: moment(l.Length), Frames: l.Frames, Capture: l.Capture, Again: l.Again,
	}
	if l.Error != "" {
		r.Err = errors.New(l.Error)
	}
	return r
}

func (l *verdictLine) join(r *Run) error {
	v := judge.Verdict{ID: l.Expectation, Group: l.Group, Says: l.Says, Source: l.Source, Why: l.Why, Nothing: l.Nothing, Reason: l.Reason, Decided: moment(l.Decided),
		FalsePositives: l.Positives, FalseNegatives: l.Negatives}
	var ok, sound bool
	if v.Outcome, ok = judge.OutcomeOf(l.Outcome); !ok {
		return fmt.Errorf("outcome %q is not known", l.Outcome)
	}
	if v.Cause, sound = judge.CauseOf(l.Cause); !sound {
		return fmt.Errorf("cause %q is not known", l.Cause)
	}
	if l.Margin != nil {
		v.Margin = judge.Margin{Value: l.Margin.Value, Unit: l.Margin.Unit, Known: true}
	}
	for _, e := range l.Evidence {
		v.Evidence = append(v.Evidence, judge.Evidence{Time: moment(e.At), First: e.First, Last: e.Last, Task: e.Task, Line: e.Line, Text: e.Text})
	}
	if l.Known {
		r.Known = append(r.Known, v.ID)
	}
	r.Verdicts = append(r.Verdicts, v)
	return nil
}

// moment is a time of seconds, to the nanosecond.
func moment(s float64) time.Duration { return time.Duration(float64(s*float64(time.Second)) + 0.5) }
