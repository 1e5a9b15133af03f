package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/bench/format"
	"sawhorse/bench/judge"
)

// flaky is a run that passed at the third attempt.
func flaky() Run {
	passed := runs()[1]
	failed := passed
	failed.Verdicts = []judge.Verdict{{ID: "runs", Says: "The engine runs", Outcome: judge.Fail, Cause: judge.Hung, Reason: "it did not end"}}
	broken := passed
	broken.Err = errors.New("the bus has gone")
	passed.Name, passed.Params, passed.Tool, passed.Time = "healthy-s7-a.b=1", []string{"a.b=1"}, "mytool", "wall"
	passed.Earlier = []Run{failed, broken}
	return passed
}

func lines(t testing.TB, list []Run) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, Lines(&b, list))
	return b.String()
}

func TestLines(t *testing.T) {
	golden(t, "verdicts.jsonl", lines(t, append(runs(), flaky())))
}

// The published schema, judged by a general validator of JSON Schema 2020-12.
func TestLinesAreValidByTheirSchema(t *testing.T) {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	require.NoError(t, c.AddResource("verdicts.json", doc))
	schema, err := c.Compile("verdicts.json")
	require.NoError(t, err)
	validate := func(line string) error {
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(line))
		require.NoError(t, err)
		return schema.Validate(v)
	}
	n := 0
	for line := range strings.Lines(lines(t, append(runs(), flaky()))) {
		require.NoError(t, validate(line), line)
		n++
		var m map[string]any
		require.NoError(t, json.Unmarshal([]byte(line), &m))
		m["mood"] = "good"
		more, err := json.Marshal(m)
		require.NoError(t, err)
		require.Error(t, validate(string(more)), "the schema can refuse")
	}
	require.Equal(t, 6+15+2, n, "a line a run and attempt, a line a verdict")
}

func TestLinesComeBack(t *testing.T) {
	list := append(runs(), flaky())
	list[0].Known = []string{"read-first"}
	back, err := ReadLines(strings.NewReader(lines(t, list)))
	require.NoError(t, err)
	require.Len(t, back, len(list))
	for i := range list {
		want := list[i]
		want.Name = want.ID()
		for k := range want.Earlier {
			want.Earlier[k].Name = want.ID()
		}
		require.Equal(t, want, back[i])
	}
	require.Equal(t, lines(t, list), lines(t, back))
}

func TestBrokenLinesAreRefusedByLine(t *testing.T) {
	good := strings.Split(lines(t, runs()), "\n")
	for name, c := range map[string][2]string{
		"no JSON":       {good[0] + "\n{", "line 2: "},
		"no run before": {good[1], `line 1: kind is "verdict"`},
		"other format":  {strings.Replace(good[0], `"format":1`, `"format":2`, 1), "line 1: format is 2, want 1"},
		"outcome":       {good[0] + "\n" + strings.Replace(good[1], `"pass"`, `"splendid"`, 1), `line 2: outcome "splendid"`},
		"cause":         {good[0] + "\n" + strings.Replace(good[2], `"broken"`, `"bored"`, 1), `line 2: cause "bored"`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ReadLines(strings.NewReader(c[0]))
			require.ErrorContains(t, err, c[1])
		})
	}
}

func TestABaselineLetsOnlyNewFailuresFail(t *testing.T) {
	list := runs()[:2]
	require.Equal(t, CouldNot, Status(list), "one of them is our own fault")
	list[0].Verdicts = list[0].Verdicts[:4]
	require.Equal(t, GaveOut, Status(list))

	b := new(Baseline)
	b.Update(list)
	data, err := b.Bytes()
	require.NoError(t, err)
	b, err = ReadBaseline(bytes.NewReader(data))
	require.NoError(t, err)
	require.Equal(t, []Failure{{"clutch-learn", "ends"}, {"clutch-learn", "late"}, {"clutch-learn", "read-first"}}, b.Failures)
	b.Apply(list)
	require.Equal(t, Passed, Status(list), "all of it is known")
	require.Empty(t, b.Fixed(list))
	require.NotContains(t, string(junit(t, list)), "<failure", "what is known does not fail a build")
	require.Contains(t, string(junit(t, list)), "known by the baseline: clearing came", "and is not hidden")

	// One is mended, one is new.
	list[0].Verdicts[1].Outcome = judge.Pass
	list[1].Verdicts[0].Outcome = judge.Fail
	b.Apply(list)
	require.Equal(t, []Failure{{"clutch-learn", "read-first"}}, b.Fixed(list))
	require.Equal(t, Failed, Status(list))

	// Taking over the second run leaves what is known of the first.
	b.Update(list[1:])
	require.Contains(t, b.Failures, Failure{"healthy", "runs"})
	require.Len(t, b.Failures, 4)
	b.Update(list)
	require.Len(t, b.Failures, 3)
}

func TestOurOwnFaultIsNeverKnown(t *testing.T) {
	list := runs()
	b := new(Baseline)
	b.Update(list)
	b.Apply(list)
	require.Equal(t, CouldNot, Status(list))
}

func TestBrokenBaselines(t *testing.T) {
	for text, want := range map[string]string{
		"":                                "nothing in the file",
		`{"sawhorse_baseline": 2}`:        "sawhorse_baseline 2 of a baseline is newer than this program, expected at most 1",
		`{"sawhorse_baseline": 1, "x":1}`: "unknown field",
		`{"sawhorse_baseline": 1} 2`:      "more text",
		`{"sawhorse_baseline": 1, "failures": [{"run": "a"}]}`: "failure 1",
	} {
		_, err := ReadBaseline(strings.NewReader(text))
		require.ErrorContains(t, err, want, text)
	}
}

// Whatever is wrong with a baseline is told with its line and column.
func TestBrokenBaselinesAreToldWithTheirPlace(t *testing.T) {
	for text, want := range map[string]string{
		"": ":1:1",
		"{\n  \"sawhorse_baseline\": 1,\n  \"x\": 1\n}": ":3:3",
		"{\n  \"sawhorse_baseline\": 1\n}\n  more":      ":4:3",
		"{\n  \"sawhorse_baseline\": 1,\n  \"failures\": [\n    {\"run\": \"a\", \"expectation\": \"b\"},\n    {\"run\": \"a\"}\n  ]\n}": ":5:5",
		"{\n  \"sawhorse_baseline\": 1,\n  \"failures\": 2\n}":                                                                           ":3:16",
		"{\n  \"sawhorse_baseline\": 1,\n":                                                                                               ":3:1",
	} {
		_, err := ReadBaseline(strings.NewReader(text))
		require.Error(t, err, text)
		require.Equal(t, want, format.Place([]byte(text), err), "%s: %v", text, err)
	}
}

func FuzzReadBaseline(f *testing.F) {
	f.Add([]byte(`{"sawhorse_baseline": 1, "failures": [{"run": "a", "expectation": "b"}]}`))
	f.Add([]byte(`{"sawhorse_baseline": 1, "failures": [null]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := ReadBaseline(bytes.NewReader(data))
		if err != nil {
			return
		}
		text, err := b.Bytes()
		if err != nil {
			t.Fatal(err)
		}
		again, err := ReadBaseline(bytes.NewReader(text))
		if err != nil || len(again.Failures) != len(b.Failures) {
			t.Fatalf("%s: %v", text, err)
		}
	})
}

// A flaky run passes and is told everywhere.
func TestFlakyIsNeverHidden(t *testing.T) {
	list := []Run{flaky()}
	require.Equal(t, Passed, Status(list))
	var b bytes.Buffer
	require.NoError(t, Table(&b, &list[0], TableOptions{Quiet: true}))
	require.NoError(t, Summary(&b, list))
	require.Contains(t, b.String(), "attempt 1 did not pass: runs hung")
	require.Contains(t, b.String(), "attempt 2 did not pass: broke off: the bus has gone")
	require.Contains(t, b.String(), "FLAKY: it passed only when it was done again")
	require.Contains(t, b.String(), "1 FLAKY")
	require.Contains(t, string(junit(t, list)), `<property name="flaky" value="true">`)
	require.Contains(t, lines(t, list), `"flaky":true`)
}

// Lines of any text are JSON, and come back.
func TestAnyTextComesBackInLines(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := "x" + rapid.String().Draw(t, "text")
		list := runs()[:1]
		list[0].Verdicts[1].Reason, list[0].Verdicts[1].Evidence[0].Text, list[0].Title = text, text, text
		var b bytes.Buffer
		if err := Lines(&b, list); err != nil {
			t.Fatal(err)
		}
		back, err := ReadLines(&b)
		if err != nil || back[0].Verdicts[1].Evidence[0].Text != text || back[0].Title != text {
			t.Fatalf("%q: %v", text, err)
		}
	})
}
