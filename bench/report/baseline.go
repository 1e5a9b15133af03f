package report

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"sawhorse/bench/format"
	"sawhorse/bench/judge"
)

// Baseline is a list of failures that are known: only what is not in it counts.
// What the bench itself got wrong is never known.
type Baseline struct {
	Format   int       `json:"sawhorse_baseline"`
	Failures []Failure `json:"failures"`
}

// Failure is one expectation of one run that is known not to hold.
type Failure struct {
	Run         string `json:"run"`
	Expectation string `json:"expectation"`
}

func (f Failure) compare(o Failure) int {
	return cmp.Or(strings.Compare(f.Run, o.Run), strings.Compare(f.Expectation, o.Expectation))
}

// ReadBaseline reads a baseline strictly.
func ReadBaseline(r io.Reader) (*Baseline, error) {
	data, err := io.ReadAll(r)
	if err != nil {
		return nil, err
	}
	if err := format.Baseline.CheckJSON(data); err != nil {
		return nil, err
	}
	b := new(Baseline)
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	begins, keys := places(data)
	if err := dec.Decode(b); err != nil {
		switch name, unknown := strings.CutPrefix(err.Error(), "json: unknown field "); {
		case errors.Is(err, io.EOF):
			return nil, problem(data, 0, "nothing in the file", "a baseline as --update-baseline writes it")
		case unknown:
			return nil, problem(data, keys[strings.Trim(name, `"`)], "unknown field "+name, "sawhorse_baseline and failures, of these run and expectation")
		}
		return nil, err
	}
	end := dec.InputOffset()
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		end += int64(len(data[end:]) - len(bytes.TrimLeft(data[end:], " \t\r\n")))
		return nil, problem(data, end, "more text after the baseline", "the end of the file")
	}
	if bad := format.Baseline.Check(b.Format); bad != nil {
		return nil, bad
	}
	for i, f := range b.Failures {
		if f.Run == "" || f.Expectation == "" {
			var at int64
			if i < len(begins) { // one that is null begins nowhere
				at = begins[i]
			}
			return nil, problem(data, at, fmt.Sprintf("failure %d lacks one of its names", i+1), "a run and an expectation")
		}
	}
	return b, nil
}

// problem is one at an offset of the file.
func problem(data []byte, offset int64, what, want string) *format.Problem {
	line, column := format.At(data, offset)
	return &format.Problem{Line: line, Column: column, What: what, Want: want}
}

// places are where the failures of a baseline begin, and where each key stands first.
func places(data []byte) (failures []int64, keys map[string]int64) {
	keys = map[string]int64{}
	depth := 0
	for d := json.NewDecoder(bytes.NewReader(data)); ; {
		token, err := d.Token()
		if err != nil {
			return failures, keys
		}
		switch t := token.(type) {
		case json.Delim:
			switch {
			case t == '}' || t == ']':
				depth--
			default:
				depth++
				if depth == 3 { // in the object and its list
					failures = append(failures, d.InputOffset()-1)
				}
			}
		case string:
			if _, ok := keys[t]; !ok {
				keys[t] = d.InputOffset() - int64(len(t)) - 2
			}
		}
	}
}

// Apply marks in the runs what is known.
func (b *Baseline) Apply(runs []Run) {
	for i := range runs {
		r := &runs[i]
		r.Known = nil
		for k := range r.Verdicts {
			if v := &r.Verdicts[k]; failing(v) && slices.Contains(b.Failures, Failure{r.ID(), v.ID}) {
				r.Known = append(r.Known, v.ID)
			}
		}
	}
}

// Fixed lists what of the baseline passes now, in the baseline's order. Runs that
// were not done tell nothing.
func (b *Baseline) Fixed(runs []Run) []Failure {
	passes := map[Failure]bool{}
	for i := range runs {
		for k := range runs[i].Verdicts {
			if v := &runs[i].Verdicts[k]; v.Outcome == judge.Pass {
				passes[Failure{runs[i].ID(), v.ID}] = true
			}
		}
	}
	var fixed []Failure
	for _, f := range b.Failures {
		if passes[f] {
			fixed = append(fixed, f)
		}
	}
	return fixed
}

func failing(v *judge.Verdict) bool { return v.Outcome == judge.Fail || v.Outcome == judge.Undecided }

// Update takes over what the runs show. Entries of runs that were not done stay, so
// that a part of the runs can be updated.
func (b *Baseline) Update(runs []Run) {
	done := map[string]bool{}
	for i := range runs {
		done[runs[i].ID()] = true
	}
	b.Format = format.Baseline.Newest
	b.Failures = slices.DeleteFunc(b.Failures, func(f Failure) bool { return done[f.Run] })
	for i := range runs {
		for k := range runs[i].Verdicts {
			if v := &runs[i].Verdicts[k]; failing(v) {
				b.Failures = append(b.Failures, Failure{runs[i].ID(), v.ID})
			}
		}
	}
	slices.SortFunc(b.Failures, Failure.compare)
	b.Failures = slices.Compact(b.Failures)
}

// Bytes is the baseline's file, a line a failure, for a quiet history of changes.
func (b *Baseline) Bytes() ([]byte, error) {
	var out bytes.Buffer
	fmt.Fprintf(&out, "{\n  \"sawhorse_baseline\": %d,\n  \"failures\": [", format.Baseline.Newest)
	for i, f := range b.Failures {
		data, err := json.Marshal(f)
		if err != nil {
			return nil, err
		}
		if i > 0 {
			out.WriteByte(',')
		}
		fmt.Fprintf(&out, "\n    %s", data)
	}
	if len(b.Failures) > 0 {
		out.WriteString("\n  ")
	}
	out.WriteString("]\n}\n")
	return out.Bytes(), nil
}
