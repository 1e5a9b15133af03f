package cel

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/bench/judge"
	"sawhorse/bench/signal"
)

const ms = time.Millisecond

// rig is a language over a few signals.
type rig struct {
	t     *testing.T
	table signal.Table
	lang  *Language
}

func newRig(t *testing.T) *rig {
	r := &rig{t: t}
	r.table.Define("engine_rpm", "rpm", "crank speed")
	r.table.Define("clutch_pct", "%", "clutch pedal")
	r.table.Define("x", "", "a number")
	r.table.Define("y", "", "a number")
	r.table.Define("running", "bool", "engine runs")
	r.table.Define("key", "", "key position")
	lang, err := NewLanguage(r.table.Infos())
	require.NoError(t, err)
	r.lang = lang
	return r
}

func (r *rig) cond(src string) *Condition {
	r.t.Helper()
	c, errs := r.lang.Compile(src)
	require.Empty(r.t, errs, src)
	return c
}

func (r *rig) set(name string, v float64) *rig {
	ref, ok := r.table.Lookup(name)
	require.True(r.t, ok, name)
	r.table.Set(ref, v)
	return r
}

func TestConditionsSeeSignalsAndEvents(t *testing.T) {
	r := newRig(t)
	r.set("engine_rpm", 850).set("key", 3).set("running", 1)
	o := judge.Message(judge.Response, 1500*ms, []byte{0x71, 0x01, 0x02, 0x10, 0x01})
	o.ECU, o.ID = "engine", 0x7E8
	s := NewScope(&r.table)
	s.Enter(&judge.Observation{Kind: judge.TaskStart, Task: "learn"})
	s.Enter(&judge.Observation{Kind: judge.FaultOn, Fault: "clutch-unlearned"})
	s.Enter(&o)
	for src, want := range map[string]bool{
		`engine_rpm > 500 && engine_rpm < 900.5`:            true,
		`key == "start" && running`:                         true,
		`key == "on"`:                                       false,
		`task == "learn"`:                                   true,
		`"clutch-unlearned" in faults && size(faults) == 1`: true,
		`t == 1.5`: true,
		`event.service == 0x31 && event.sub == 1`:                           true,
		`event.rid == 0x0210 && event.did == -1`:                            true,
		`event.positive && event.nrc == -1`:                                 true,
		`event.data.at(4) == 1 && event.data.at(9) == -1`:                   true,
		`size(event.data) == 5`:                                             true,
		`event.kind == "response" && event.ecu.startsWith("eng")`:           true,
		`event.id in [0x7E8, 0x7E9]`:                                        true,
		`event.kind == "request"`:                                           false,
		`event.kind != "request"`:                                           true,
		`(event.kind == "request" || event.kind == "response")`:             true,
		`!(event.kind == "frame") && event.data == b"\x71\x01\x02\x10\x01"`: true,
	} {
		got, err := r.cond(src).Holds(s)
		require.NoError(t, err, src)
		require.Equal(t, want, got, src)
	}
}

func TestMistakesAreFoundWithTheirPlace(t *testing.T) {
	r := newRig(t)
	for src, want := range map[string]ConditionError{
		"engine_rmp > 500":           {1, 1, "undeclared reference to 'engine_rmp'"},
		"engine_rpm > 500 && clutch": {1, 21, "undeclared reference to 'clutch'"},
		"event.servce == 3":          {1, 1, "undeclared reference to 'event'"},
		"engine_rpm >":               {1, 13, "Syntax error"},
		"engine_rpm":                 {1, 1, "is of type double, expected bool"},
		"key == 3":                   {1, 5, "no matching overload"},
		"[1].all(a, [a].all(b, [b].all(c, c > 0)))": {1, 19, "nest"},
		"engine_rpm == 3":          {1, 12, "3.0"},
		"running &&\n  engine_rpm": {2, 3, "expected type 'bool'"},
		`event.kind == "reqest"`:   {1, 12, "event.kind is never"},
		`key == "run" && running`:  {1, 5, "expected one of off accessory on start"},
		`event.text.matches("(")`:  {1, 20, "invalid matches argument"},
	} {
		c, errs := r.lang.Compile(src)
		require.Nil(t, c, src)
		require.NotEmpty(t, errs, src)
		require.Contains(t, errs[0].Message, want.Message, src)
		require.Equal(t, [2]int{want.Line, want.Column}, [2]int{errs[0].Line, errs[0].Column}, "%s: %v", src, errs[0])
	}
}

func TestAConditionTellsItsWords(t *testing.T) {
	c := newRig(t).cond(`task == "learn" || "clear-codes" == event.task && task != "x"`)
	require.Equal(t, []string{"learn"}, c.Words("task"))
	require.Equal(t, []string{"clear-codes"}, c.Words("event.task"))
	require.True(t, c.OnEvent())
}

func TestANameOfTheLanguageIsNoSignal(t *testing.T) {
	_, err := NewLanguage([]signal.Info{{Name: "task"}})
	require.ErrorContains(t, err, `"task"`)
}

func TestRobustnessIsTheDistance(t *testing.T) {
	r := newRig(t)
	r.set("engine_rpm", 850).set("clutch_pct", 40).set("running", 1)
	s := NewScope(&r.table)
	s.now = 3 * time.Second
	for _, c := range []struct {
		src  string
		want float64
		unit string
	}{
		{"engine_rpm > 800", 50, "rpm"},
		{"engine_rpm < 800", -50, "rpm"},
		{"!(engine_rpm < 800)", 50, "rpm"},
		{"engine_rpm > 800 && engine_rpm < 860", 10, "rpm"},
		{"engine_rpm < 800 || engine_rpm > 845", 5, "rpm"},
		{"running && engine_rpm > 800", 50, "rpm"},
		{"engine_rpm == 840.0", -10, "rpm"},
		{"engine_rpm != 840.0", 10, "rpm"},
		{"-engine_rpm + 2.0 * 500.0 >= 100", 50, "rpm"},
		{"engine_rpm / 2.0 > 400", 25, "rpm"},
		{"t < 5.0", 2, "s"},
	} {
		v, unit, ok := r.cond(c.src).Robustness(s)
		require.True(t, ok, c.src)
		require.Equal(t, c.want, v, c.src)
		require.Equal(t, c.unit, unit, c.src)
	}
	for _, src := range []string{
		"running", `task == "x"`, "engine_rpm > 100 && clutch_pct > 10", "engine_rpm > clutch_pct",
		"!running && engine_rpm > 800", "1.0 < 2.0", "engine_rpm * engine_rpm > 3.0", "event.service == 3",
	} {
		_, _, ok := r.cond(src).Robustness(s)
		require.False(t, ok, "%s has no single distance", src)
	}
}

// genCondition makes conditions out of the parts that have a robustness.
func genCondition(depth int) *rapid.Generator[string] {
	atom := rapid.Custom(func(t *rapid.T) string {
		op := rapid.SampledFrom([]string{"<", "<=", ">", ">=", "==", "!="}).Draw(t, "op")
		a := rapid.SampledFrom([]string{"x", "y", "x + y", "x - 1.0", "2.0 * y", "-x"}).Draw(t, "a")
		b := rapid.SampledFrom([]string{"0.0", "1.5", "-2.0", "y", "x"}).Draw(t, "b")
		return a + " " + op + " " + b
	})
	if depth == 0 {
		return atom
	}
	sub := genCondition(depth - 1)
	return rapid.OneOf(atom, rapid.Custom(func(t *rapid.T) string {
		a, b := sub.Draw(t, "l"), sub.Draw(t, "r")
		switch rapid.IntRange(0, 3).Draw(t, "form") {
		case 0:
			return "(" + a + ") && (" + b + ")"
		case 1:
			return "(" + a + ") || (" + b + ")"
		case 2:
			return "!(" + a + ")"
		}
		return "running && (" + a + ")"
	}))
}

// The sign of the robustness tells the truth, and a change of the signals smaller
// than the robustness does not change it: Donze and Maler 2010, theorem 1 and its
// correctness property (from memory). The truth is cel-go's.
func TestRobustnessIsSound(t *testing.T) {
	r := newRig(t)
	value := rapid.Custom(func(t *rapid.T) float64 { return float64(rapid.IntRange(-40, 40).Draw(t, "v")) / 8 })
	rapid.Check(t, func(t *rapid.T) {
		src := genCondition(3).Draw(t, "condition")
		c, errs := r.lang.Compile(src)
		if len(errs) > 0 {
			t.Fatalf("%s: %v", src, errs[0])
		}
		x, y := value.Draw(t, "x"), value.Draw(t, "y")
		r.set("x", x).set("y", y).set("running", float64(rapid.IntRange(0, 1).Draw(t, "running")))
		s := NewScope(&r.table)
		v, _, ok := c.Robustness(s)
		if !ok || v == 0 {
			return
		}
		holds, err := c.Holds(s)
		if err != nil || holds != (v > 0) {
			t.Fatalf("%s at x=%v y=%v: robustness %v, CEL says %v %v", src, x, y, v, holds, err)
		}
		// Every atom is at most 3 times as steep as the sum of both changes.
		d := math.Abs(v) / 3 * 0.99
		part := rapid.Float64Range(0, 1).Draw(t, "part")
		r.set("x", x+d*part).set("y", y-d*(1-part))
		if again, err := c.Holds(s); err != nil || again != holds {
			t.Fatalf("%s: changed within its robustness %v", src, v)
		}
	})
}

// A language without the mistake is accepted, with it refused: the harness can fail.
func FuzzCompile(f *testing.F) {
	lang, err := NewLanguage([]signal.Info{{Name: "engine_rpm", Unit: "rpm"}, {Name: "running", Unit: "bool"}})
	if err != nil {
		f.Fatal(err)
	}
	for _, s := range []string{"engine_rpm > 1", "running && !running", `event.kind == "line"`, "(", "[1,2].all(x, x > 0)", "engine_rpm >", "event.data.at(1) == 2", "\x00"} {
		f.Add(s)
	}
	table := new(signal.Table)
	table.Define("engine_rpm", "rpm", "")
	table.Define("running", "bool", "")
	f.Fuzz(func(t *testing.T, src string) {
		c, errs := lang.Compile(src)
		if (c == nil) != (len(errs) > 0) {
			t.Fatalf("%q: condition %v, errors %v", src, c, errs)
		}
		for _, e := range errs {
			if e.Message == "" {
				t.Fatalf("%q: error without a message", src)
			}
		}
		if c == nil {
			return
		}
		s := NewScope(table)
		o := judge.Saw(judge.Line, time.Second)
		s.Enter(&o)
		holds, err := c.Holds(s)
		if v, _, ok := c.Robustness(s); ok && v != 0 && err == nil && !c.OnEvent() && holds != (v > 0) {
			t.Fatalf("%q holds: %v, robustness %v", src, holds, v)
		}
	})
}
