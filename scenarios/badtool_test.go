package scenarios_test

import (
	"context"
	"encoding/json"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/judge"
	"sawhorse/bench/metrics"
	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/bench/tool"
	"sawhorse/bench/tool/builtin"
	"sawhorse/canbus"
	"sawhorse/cmd/demotool/tester"
	"sawhorse/scenarios"
)

// bad is the demo's tool with one defect.
type bad struct {
	tool.Machine
	task    string
	first   []canbus.Frame          // sent before anything else
	flood   int                     // of the first frame
	edit    func(doc string) string // of what it prints
	hangs   bool                    // never ends
	deaf    bool                    // for 29-bit identifiers
	learns  string                  // learns this instead
	alters  func(f *canbus.Frame)   // what it sends
	instant map[string]any          // ends at once with a document
	mute    time.Duration           // sends nothing from this moment of the run on
	now     time.Duration
}

func (b *bad) Tick(now time.Duration) {
	b.now = now
	b.Machine.Tick(now)
}

func (b *bad) NextFrame(f *canbus.Frame) bool {
	if b.instant != nil || b.mute > 0 && b.now >= b.mute {
		return false
	}
	if b.flood > 0 {
		b.flood--
		*f = b.first[0]
		return true
	}
	if len(b.first) > 0 {
		*f, b.first = b.first[0], b.first[1:]
		return true
	}
	ok := b.Machine.NextFrame(f)
	if ok && b.alters != nil {
		b.alters(f)
	}
	return ok
}

func (b *bad) Receive(now time.Duration, f *canbus.Frame) {
	if !b.deaf || f.Flags&canbus.Extended == 0 {
		b.Machine.Receive(now, f)
	}
}

func (b *bad) Done() (int, bool) {
	if b.instant != nil {
		return 0, true
	}
	status, done := b.Machine.Done()
	return status, done && !b.hangs
}

func (b *bad) Output() []byte {
	if b.instant != nil {
		out, _ := json.Marshal(b.instant)
		return out
	}
	out := b.Machine.Output()
	if b.edit != nil {
		out = []byte(b.edit(string(out)))
	}
	return out
}

func swap(from, to string) func(string) string {
	return func(doc string) string { return strings.ReplaceAll(doc, from, to) }
}

// editECUs changes the document's control units one by one.
func editECUs(change func(ecu map[string]any)) func(string) string {
	return func(doc string) string {
		var d map[string]any
		if json.Unmarshal([]byte(doc), &d) != nil {
			return doc
		}
		list, _ := d["ecus"].([]any)
		for _, e := range list {
			change(e.(map[string]any))
		}
		out, _ := json.Marshal(d)
		return string(out)
	}
}

func live(name string, change func(float64) float64) func(string) string {
	return editECUs(func(ecu map[string]any) {
		values, _ := ecu["live"].([]any)
		for _, v := range values {
			v := v.(map[string]any)
			if n, ok := v["value"].(float64); ok && v["name"] == name {
				v["value"] = change(n)
			}
		}
	})
}

var clear = canbus.New(0x7DF, 0x01, 0x04, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC)

// One realistic mistake each, and the expectation that catches it.
var badTools = []struct {
	name, scenario string
	expect         []string
	defect         bad
}{
	{"mixes up two digits of a code", "clutch-unlearned", []string{"finds-the-code", "truth/stored"}, bad{edit: swap("P080A", "P08A0")}},
	{"loses the stored codes", "clutch-unlearned", []string{"finds-the-code", "truth/stored"}, bad{edit: editECUs(func(e map[string]any) { e["stored"] = []any{} })}},
	{"says nothing of the stored codes", "healthy", []string{"no-codes"}, bad{edit: editECUs(func(e map[string]any) { delete(e, "stored") })}},
	{"invents a code", "healthy", []string{"no-codes", "truth/pending"}, bad{edit: editECUs(func(e map[string]any) { e["pending"] = []any{map[string]any{"code": "P0300"}} })}},
	{"cuts the identification number", "healthy", []string{"right-car"}, bad{edit: swap("0PT48VM60R1000048", "0PT48VM60R100004")}},
	{"mixes up two digits of the identification number", "healthy", []string{"right-car", "truth/vin"}, bad{edit: swap("0PT48VM60R1000048", "0PT48VM60R1000084")}},
	{"forgets the offset of temperatures", "healthy", []string{"live-data", "truth/live"}, bad{edit: live("coolant_c", func(v float64) float64 { return v + 40 })}},
	{"swaps the bytes of the speed", "crank-variation-unlearned", []string{"live-data", "truth/live"}, bad{edit: live("engine_rpm", func(v float64) float64 {
		raw := int(v * 4)
		return float64(raw&0xFF<<8|raw>>8) / 4
	})}},
	{"makes the missing speed prettier", "crank-signal-missing", []string{"zero-while-cranking", "truth/live"}, bad{edit: live("engine_rpm", func(float64) float64 { return 210 })}},
	{"shows a believable intake air", "air-mass-plug-off", []string{"too-cold", "truth/live"}, bad{edit: live("intake_air_c", func(float64) float64 { return 20 })}},
	{"shows one code of two", "air-mass-plug-off", []string{"finds-both-codes", "truth/stored"}, bad{edit: swap("P0113", "P0102")}},
	{"blames the wrong sensor", "air-mass-dead", []string{"intake-air-fine", "truth/stored"}, bad{edit: swap(`"P0102"`, `"P0113"`)}},
	{"clears in a health check", "intake-air-open", []string{"does-not-clear"}, bad{task: "health-check", first: []canbus.Frame{clear}}},
	{"clears before it reads", "clutch-learn", []string{"read-before-clearing", "learned-before-clearing"}, bad{task: "health-check", first: []canbus.Frame{clear}}},
	{"reads the engine only", "auklet-turbine-sensor", []string{"finds-the-cause", "truth/stored"}, bad{edit: editECUs(func(e map[string]any) {
		if e["listens"] != "18DA10F1" {
			e["stored"] = []any{}
		}
	})}},
	{"blames the starter's relay", "auklet-no-crank", []string{"finds-the-code", "nothing-invented", "truth/stored"}, bad{edit: swap("P0850", "P0615")}},
	{"tries 11-bit identifiers only", "auklet-healthy", []string{"check-ends", "modules-found"}, bad{deaf: true}},
	{"says that it has reset, and has not", "auklet-shift-reset", []string{"truth/learn"}, bad{task: "learn",
		instant: map[string]any{"ecus": []any{}, "learn": map[string]any{"position": "shift-adaptation", "outcome": "learned"}}}},
	{"takes silence for a sound unit", "brake-unit-silent", []string{"one-module", "truth/ecus"}, bad{edit: func(doc string) string {
		return strings.Replace(doc, `"ecus": [`, `"ecus": [{"name": "brake", "listens": "7E1", "stored": [], "pending": [], "permanent": []},`, 1)
	}}},
	{"reads only what emission laws want", "brake-unit-silent", []string{"finds-the-code"}, bad{edit: editECUs(func(e map[string]any) {
		if e["listens"] != "7E0" {
			e["stored"] = []any{}
		}
	})}},
	{"never ends", "healthy", []string{"check-ends"}, bad{hangs: true}},
	{"prints nothing", "healthy", []string{"no-codes"}, bad{edit: func(string) string { return "" }}},
	{"says that it has learned, and has not", "clutch-learn", []string{"routine-runs", "starts-afterwards", "clean-afterwards", "truth/learn"}, bad{task: "learn",
		instant: map[string]any{"ecus": []any{}, "learn": map[string]any{"position": "clutch", "outcome": "learned"}}}},
	{"says that it has cleared, and has not", "clutch-learn", []string{"clear-answered", "clean-afterwards"}, bad{task: "clear-codes",
		instant: map[string]any{"ecus": []any{}, "cleared": true}}},
	{"says no codes when its cable was off", "tool-cable-pulled", []string{"honest"}, bad{edit: editECUs(func(e map[string]any) { e["stored"] = []any{} })}},
	{"never finds the bus again once its cable was off", "tool-cable-pulled", []string{"back-to-work", "recovers"}, bad{mute: 9 * time.Second}},
	{"waits before it writes the identity", "exchanged-ecu", []string{"identity-first", "exchange-learned"},
		bad{task: "write-identity", learns: "exchange"}},
	{"says that the identity is written, and has not", "exchanged-wait-skipped", []string{"says-what-is-missing"}, bad{task: "write-identity",
		instant: map[string]any{"ecus": []any{}, "written": map[string]any{"outcome": "written"}}}},
	{"says that it has learned everything, and has not", "exchanged-customers-theory", []string{"starts-on-his-battery", "truth/learn"}, bad{task: "learn",
		instant: map[string]any{"ecus": []any{}, "learn": map[string]any{"outcome": "learned"}}}},
	{"clears before anything is learned", "exchanged-customers-theory", []string{"read-before-clearing"}, bad{task: "health-check", first: []canbus.Frame{clear}}},
	{"answers the seed wrongly", "exchanged-wait-skipped", []string{"no-guessed-key", "identity-written"}, bad{alters: func(f *canbus.Frame) {
		if f.ID == 0x7E0 && f.Data[1] == 0x27 && f.Data[2] == 0x02 {
			f.Data[3]++
		}
	}}},
	{"starts the wait again when it should ask how far it is", "exchanged-wait-broken", []string{"started-once"}, bad{alters: func(f *canbus.Frame) {
		if f.ID == 0x7E0 && f.Data[1] == 0x31 && f.Data[2] == 0x03 {
			f.Data[2] = 0x01
		}
	}}},
	{"does not say that it was refused", "exchanged-identity-missing", []string{"refusal-is-told", "truth/learn"}, bad{task: "learn", edit: swap(`"refused"`, `"learned"`)}},
	{"leaves out the security code", "exchanged-wait-skipped", []string{"says-what-is-missing"}, bad{edit: swap("P0633", "P0630")}},
	{"invents the misfire that everybody hears", "exchanged-crank-learn-skipped", []string{"misfire-monitor-waits", "truth/pending"}, bad{edit: editECUs(func(e map[string]any) { e["pending"] = []any{map[string]any{"code": "P0304"}} })}},
	{"forgets permanent codes", "exchanged-not-cleared", []string{"stored-after-two", "truth/permanent"}, bad{edit: editECUs(func(e map[string]any) { e["permanent"] = []any{} })}},
	{"clears unasked", "exchanged-not-cleared", []string{"clears-nothing", "stored-after-two"}, bad{task: "learn", first: []canbus.Frame{clear}}},
	{"believes the customer", "exchanged-customers-theory", []string{"finds-a-blank-unit", "voltage-read", "truth/stored"}, bad{edit: func(doc string) string {
		return live("battery_v", func(float64) float64 { return 9.8 })(swap(`"P0633"`, `"P0562"`)(doc))
	}}},
	{"registers the customer's battery", "exchanged-customers-theory", []string{"no-battery-registered", "exchange-learned"}, bad{task: "write-identity", learns: "battery"}},
	{"floods a busy bus", "real-drive", []string{"polite"}, bad{task: "health-check", flood: 200, first: []canbus.Frame{canbus.New(0x7E0, 0x02, 0x3E, 0x80, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC)}}},
}

func captureFolders() []string {
	if dir := os.Getenv("SAWHORSE_CAPTURES"); dir != "" {
		return []string{dir}
	}
	return []string{"../../shared/data"}
}

func verdicts(t *testing.T, name string, start tool.MachineFunc) map[string]judge.Verdict {
	t.Helper()
	sc, err := scenarios.BuiltIn(name, bench.Vocabulary())
	require.NoError(t, err)
	got := map[string]judge.Verdict{}
	for _, v := range execute(t, sc, start).Verdicts {
		got[v.ID] = v
	}
	return got
}

func execute(t *testing.T, sc *scenarios.Scenario, start tool.MachineFunc) *run.Result {
	t.Helper()
	return runWith(t, sc, run.Options{InBench: start})
}

func runWith(t *testing.T, sc *scenarios.Scenario, opt run.Options) *run.Result {
	t.Helper()
	profile, err := builtin.Source(builtin.Default)
	require.NoError(t, err)
	p, err := run.Resolve(sc, run.Choices{
		Seed: 3, SeedSet: true, Program: "test", InBench: true,
		Tool: plan.Text{Name: builtin.Default, Text: string(profile)}, Captures: captureFolders(),
	})
	require.NoError(t, err)
	opt.Folder = t.TempDir()
	r, err := run.New(p, opt)
	require.NoError(t, err)
	res, err := r.Execute(context.Background())
	require.NoError(t, err)
	require.NoError(t, res.Err)
	return res
}

func TestBadToolsAreCaught(t *testing.T) {
	for _, c := range badTools {
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			got := verdicts(t, c.scenario, func(task string, args map[string]string) (tool.Machine, error) {
				if c.defect.learns != "" && c.defect.task == task {
					task, args = "learn", map[string]string{"position": c.defect.learns}
				}
				m, err := tester.Start(task, args)
				if err != nil || c.defect.task != "" && c.defect.task != task {
					return m, err
				}
				b := c.defect
				b.Machine = m
				return &b, nil
			})
			for _, id := range c.expect {
				require.Contains(t, got, id)
				require.Equal(t, judge.Fail, got[id].Outcome, "%s: %s", id, got[id].Reason)
			}
			if c.defect.hangs {
				require.Equal(t, judge.Hung, got["check-ends"].Cause)
			}
		})
	}
}

// The counts are by task in what a monitor of the bench sees.
func TestLiesAreCountedByTask(t *testing.T) {
	sc, err := scenarios.BuiltIn("clutch-unlearned", bench.Vocabulary())
	require.NoError(t, err)
	set := metrics.New()
	runWith(t, sc, run.Options{Metrics: set, InBench: func(task string, args map[string]string) (tool.Machine, error) {
		m, err := tester.Start(task, args)
		return &bad{Machine: m, edit: swap("P080A", "P08A0")}, err
	}})
	w := httptest.NewRecorder()
	set.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	for _, verdict := range []string{"false_positive", "false_negative"} {
		// The code is stored and pending, and has a freeze frame.
		require.Contains(t, w.Body.String(), `sawhorse_reported_entries_total{task="health-check",verdict="`+verdict+`"} 3`)
	}
}

// What was said too much and too little is counted apart, in the automatic comparison
// as in the scenario's own.
func TestLiesAreCounted(t *testing.T) {
	for _, c := range []struct {
		edit                 func(string) string
		positives, negatives int
	}{
		{swap("P080A", "P08A0"), 1, 1},
		{editECUs(func(e map[string]any) { e["stored"] = []any{} }), 0, 1},
	} {
		got := verdicts(t, "clutch-unlearned", func(task string, args map[string]string) (tool.Machine, error) {
			m, err := tester.Start(task, args)
			return &bad{Machine: m, edit: c.edit}, err
		})
		for _, id := range []string{"truth/stored", "finds-the-code"} {
			v := got[id]
			require.Equal(t, judge.Fail, v.Outcome, id)
			require.Equal(t, [2]int{c.positives, c.negatives}, [2]int{v.FalsePositives, v.FalseNegatives}, "%s: %s", id, v.Reason)
			require.Contains(t, v.Reason, v.Mistakes())
		}
		require.Equal(t, judge.Pass, got["truth/vin"].Outcome)
	}
}
