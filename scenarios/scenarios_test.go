package scenarios

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge/cel"
	"sawhorse/bench/judge/monitor"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/signal"
	"sawhorse/bench/task"
)

// words is a vocabulary like the real one's, so that the loader is tested alone.
func words() *Vocabulary {
	infos := []signal.Info{
		{Name: "key"}, {Name: "clutch_pct", Unit: "%"}, {Name: "engine_rpm", Unit: "rev/min"},
		{Name: "coolant_c", Unit: "degC"}, {Name: "intake_air_c", Unit: "degC"}, {Name: "battery_v", Unit: "V"},
		{Name: "vehicle_kmh", Unit: "km/h"}, {Name: "engine_running", Unit: "bool"}, {Name: "cranking", Unit: "bool"},
		{Name: "fuel_pump", Unit: "bool"}, {Name: "mil", Unit: "bool"}, {Name: "security_lamp", Unit: "bool"}, {Name: "misfires"},
		{Name: "accelerator_pct", Unit: "%"}, {Name: "gear"}, {Name: "selector"}, {Name: "lockup_pct", Unit: "%"},
	}
	return &Vocabulary{
		Cars: []string{"petrel-48", "auklet-18", "nameless"},
		Language: func(car string) (*cel.Language, error) {
			if car == "nameless" {
				return nil, errors.New("its signals cannot be read")
			}
			return cel.NewLanguage(infos)
		},
		Controls: func(car string) []string {
			if car == "auklet-18" {
				return []string{"key", "accelerator", "brake", "selector", "parking_brake"}
			}
			return []string{"key", "clutch", "accelerator", "brake", "gear", "parking_brake", "door_open", "steering"}
		},
		Signals: func(car string) []Movable {
			if car == "auklet-18" {
				return []Movable{{Name: "cabin_c", Min: -40, Max: 85}, {Name: "belt", Bool: true}}
			}
			return nil
		},
		Faults: func() []FaultKind {
			return []FaultKind{
				{ID: "clutch-unlearned"}, {ID: "crank-variation-unlearned"}, {ID: "crank-signal-missing"},
				{ID: "air-mass-dead", Params: []Param{
					{Name: "whole-plug", Kind: "bool"}, {Name: "volts", Kind: "number", Min: 0, Max: 5},
					{Name: "kind", Kind: "text", Words: []string{"open", "short"}}, {Name: "note", Kind: "text"}, {Name: "any", Kind: "number"},
				}},
				{ID: "intake-air-open"}, {ID: "brake-ecu-off-network"}, {ID: "tool-cable-pulled"}, {ID: "turbine-sensor-dead"}, {ID: "park-neutral-switch-open"},
				{ID: "engine-ecu-blank"}, {ID: "plug-fouled"},
			}
		},
		Drives: func(string) []DriveKind {
			return []DriveKind{{ID: "conditions"}, {ID: "idle"}, {ID: "round-trip", Legs: []Leg{
				{Moves: []Move{{"key", "on"}}}, {After: 3 * time.Second, Moves: []Move{{"key", "off"}}},
			}}}
		},
	}
}

func compiled(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	require.NoError(t, c.AddResource("scenario.json", doc))
	s, err := c.Compile("scenario.json")
	require.NoError(t, err)
	return s
}

// asJSON is a YAML text as the JSON values that a schema sees.
func asJSON(t *testing.T, src []byte) (any, error) {
	t.Helper()
	j, err := yaml.YAMLToJSON(src)
	if err != nil {
		return nil, err
	}
	return jsonschema.UnmarshalJSON(bytes.NewReader(j))
}

func TestEveryBuiltInValidates(t *testing.T) {
	s := compiled(t)
	for _, name := range Names() {
		src, ok := Source(name)
		require.True(t, ok)
		v, err := asJSON(t, src)
		require.NoError(t, err, name)
		require.NoError(t, s.Validate(v), name)
	}
}

// Every file in testdata/rejected is refused at the places and for the reasons that
// its comments tell, and by the schema unless a comment says why it cannot.
func TestRejected(t *testing.T) {
	s := compiled(t)
	files, err := filepath.Glob("testdata/rejected/*.yaml")
	require.NoError(t, err)
	require.Greater(t, len(files), 40, "no files: this test would prove nothing")
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".yaml"), func(t *testing.T) {
			src, err := os.ReadFile(file)
			require.NoError(t, err)
			var want []string
			blind := false
			for line := range strings.Lines(string(src)) {
				if w, ok := strings.CutPrefix(line, "# expect "); ok {
					want = append(want, file+":"+strings.TrimSpace(w))
				}
				blind = blind || strings.HasPrefix(line, "# schema blind:")
			}
			require.NotEmpty(t, want)
			_, err = Load(file, words())
			var all Errors
			require.ErrorAs(t, err, &all)
			var got []string
			for i, e := range all {
				text := e.Error()
				// A list that grows is told to its first word.
				if i < len(want) && strings.HasSuffix(want[i], "...") && strings.HasPrefix(text, strings.TrimSuffix(want[i], "...")) {
					text = want[i]
				}
				got = append(got, text)
			}
			require.Equal(t, want, got)
			v, err := asJSON(t, src)
			if err != nil {
				return // no YAML: no schema gets to see it
			}
			if err := s.Validate(v); blind {
				require.NoError(t, err, "the schema sees it after all: drop the comment")
			} else {
				require.Error(t, err, "the schema does not see it")
			}
		})
	}
}

func TestEverythingIsRead(t *testing.T) {
	s, err := Load("testdata/everything.yaml", words())
	require.NoError(t, err)
	v, err := asJSON(t, s.Source)
	require.NoError(t, err)
	require.NoError(t, compiled(t).Validate(v))

	require.Equal(t, "everything", s.Name)
	require.Equal(t, Bus{500_000, 2_000_000}, s.Bus)
	require.Equal(t, uint64(42), s.Seed)
	require.Equal(t, 90*time.Second, s.Duration)
	require.Equal(t, []string{"Wheels blocked."}, s.Cautions)
	require.Equal(t, &Background{"a.pcap.gz", "b.pcapng.gz", true, 0.5, time.Second, 9 * time.Second}, s.Background)

	f := s.Faults[0]
	require.Equal(t, map[string]any{"whole-plug": true, "volts": 1.5, "kind": "open", "note": "as found", "any": -3.0}, f.Params)
	require.Equal(t, Trigger{At: 2 * time.Second, Set: true}, f.From)
	require.Equal(t, [3]time.Duration{0, time.Second, 5 * time.Second}, [3]time.Duration{f.Until, f.For, f.Every})
	require.Equal(t, `task == "learn"`, s.Faults[1].From.When.Text())
	require.Equal(t, 300*time.Millisecond, s.Faults[1].From.After)
	require.False(t, s.Faults[2].From.Set)

	require.Equal(t, []Move{{"key", "on"}, {"clutch", "12.5"}, {"gear", "-1"}, {"parking_brake", "true"}, {"door_open", "false"}, {"steering", "-30.5"}}, s.Driver[0].Moves)
	drive := s.Driver[len(s.Driver)-1]
	require.Equal(t, 20*time.Second, drive.At)
	require.Equal(t, []Leg{{Moves: []Move{{"key", "on"}}}, {After: 3 * time.Second, Moves: []Move{{"key", "off"}}}}, drive.Drive)
	require.Equal(t, "It is the weather.", s.Complaint)
	require.Equal(t, map[string]string{"vin": OfCar}, s.Tasks[2].Args)
	require.Equal(t, "learn", s.Tasks[0].Task)
	require.Equal(t, map[string]string{"position": "clutch"}, s.Tasks[0].Args)
	require.Equal(t, 40*time.Second, s.Tasks[0].Limit)
	require.Equal(t, DefaultLimit, s.Tasks[1].Limit)
	require.False(t, s.Tasks[1].Start.Set)

	kinds := map[string]bool{}
	for _, e := range s.Expect {
		kinds[reflect.TypeOf(e.Want).Name()] = true
	}
	require.Len(t, kinds, len(wantKinds), "an example of every kind")
	after := s.Expect[5].Want.(monitor.After)
	require.Equal(t, [2]time.Duration{time.Second, 10 * time.Second}, [2]time.Duration{after.NotBefore, after.Within})
	rep := s.Expect[len(s.Expect)-1].Want.(monitor.Reported)
	require.Equal(t, []report.Check{
		{Field: "vin", Car: true},
		{Field: "ecus", AtLeast: 2, AtMost: 3},
		{Field: "stored", Has: []string{"P0102", "P0113-16"}, Exact: true},
		{Field: "pending", Exact: true},
		{Field: "permanent", Lacks: []string{"U0100"}},
		{Field: "lamp", Text: "on"},
		{Field: "learn", Text: "refused"},
		{Field: "readiness", Name: "catalyst", Text: "incomplete"},
		{Field: "live", Name: "coolant_c", Signal: "coolant_c", Within: 3, Age: 2 * time.Second},
		{Field: "live", Name: "rpm", Signal: "engine_rpm", Within: 50},
		{Field: "live", Name: "iat", Number: -40, Within: 2},
	}, rep.Checks)
	require.Equal(t, Rules{Strict: true, Except: []Exception{
		{"obd-to-all", "this car has one control unit"}, {"tester-present", "the session may lapse here"},
		{"truth/permanent", "nobody asks for them here"},
	}}, s.Rules)
}

// The schema and the loader know the same keys.
func TestTheSchemaKnowsTheLoadersWords(t *testing.T) {
	var doc struct {
		Defs map[string]struct {
			Enum       []string
			Properties map[string]any
		} `json:"$defs"`
	}
	require.NoError(t, json.Unmarshal(Schema(), &doc))
	require.Equal(t, task.Names(), doc.Defs["task"].Enum)
	require.NotContains(t, string(Schema()), `"@`, "a mark that nothing has replaced")
	require.Equal(t, finishStatuses(), doc.Defs["status"].Enum)
	for _, k := range wantKeys() {
		require.Contains(t, doc.Defs["expectation"].Properties, k)
	}
}

func TestErrorsCanBeTold(t *testing.T) {
	_, err := Parse("x.yaml", []byte("scenario: y\n"), words())
	var one *Error
	require.ErrorAs(t, err, &one)
	require.Equal(t, "x.yaml", one.File)
	_, err = Load(filepath.Join(t.TempDir(), "none.yaml"), words())
	require.ErrorIs(t, err, os.ErrNotExist)
	_, err = Parse("big.yaml", bytes.Repeat([]byte("#"), maxFile+1), words())
	require.ErrorContains(t, err, "at most")
	many := "scenario: many\nexpect:\n" + strings.Repeat("  - nonsense\n", 100)
	_, err = Parse("many.yaml", []byte(many), words())
	var all Errors
	require.ErrorAs(t, err, &all)
	require.Len(t, all, maxErrors)
}

// Whatever the bytes: a scenario that is whole, or errors that say where.
func FuzzParse(f *testing.F) {
	for _, name := range Names() {
		src, _ := Source(name)
		f.Add(src)
	}
	files, _ := filepath.Glob("testdata/rejected/*.yaml")
	for _, file := range append(files, "testdata/everything.yaml") {
		src, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
	v := words()
	f.Fuzz(func(t *testing.T, src []byte) {
		lines := bytes.Count(src, []byte("\n")) + 1
		s, err := Parse("f.yaml", src, v)
		if err == nil {
			if s == nil || s.Duration <= 0 || s.Bus.Rate < minRate || len(s.Expect) == 0 {
				t.Fatalf("a scenario that is not whole: %+v", s)
			}
			for _, e := range s.Expect {
				if e.ID == "" || e.Want == nil {
					t.Fatalf("an expectation that is not whole: %+v", e)
				}
			}
			monitor.New(s.Expect, monitor.Options{}).Finish(s.Duration, true)
			return
		}
		var all Errors
		if !errors.As(err, &all) || len(all) == 0 {
			t.Fatalf("error of type %T", err)
		}
		for _, e := range all {
			if e.Line < 1 || e.Line > lines+1 || e.Column < 1 || e.What == "" {
				t.Fatalf("%d lines, error %#v", lines, e)
			}
		}
	})
}
