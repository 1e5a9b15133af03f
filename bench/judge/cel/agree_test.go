package cel

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/signal"
)

// writer makes random expressions of each type, all of which have a closure. Numbers
// are chosen so that overflows, divisions by zero and what is no number happen often.
type writer struct{ *rand.Rand }

func pick[T any](w writer, list ...T) T { return list[w.IntN(len(list))] }

func (w writer) bool(depth int) string {
	if depth == 0 {
		return pick(w, "true", "false", "running", "warm", "event.positive", "event.functional")
	}
	d := depth - 1
	order := []string{"<", "<=", ">", ">="}
	equal := []string{"==", "!="}
	two := func(a, op, b string) string { return fmt.Sprintf("(%s %s %s)", a, op, b) }
	switch w.IntN(16) {
	case 0, 1, 2:
		return two(w.bool(d), "&&", w.bool(d))
	case 3, 4, 5:
		return two(w.bool(d), "||", w.bool(d))
	case 6:
		return "!" + w.bool(d)
	case 7, 8:
		return two(w.double(d), pick(w, append(order, equal...)...), w.double(d))
	case 9, 10:
		return two(w.int(d), pick(w, append(order, equal...)...), w.int(d))
	case 11:
		return two(w.double(d), pick(w, order...), w.int(d))
	case 12:
		return two(w.int(d), pick(w, order...), w.double(d))
	case 13:
		return pick(w,
			two(w.text(), pick(w, equal...), w.text()),
			two(w.bool(d), pick(w, equal...), w.bool(d)),
			fmt.Sprintf("%s.%s(%s)", w.text(), pick(w, "startsWith", "endsWith", "contains"), w.text()))
	case 14:
		return pick(w,
			fmt.Sprintf("(%s in [%s])", w.int(d), strings.Join([]string{w.smallInt(), w.smallInt(), "2024"}, ", ")),
			fmt.Sprintf(`(%s in ["on", "learn", ""])`, w.text()),
			fmt.Sprintf("(%s in %s)", w.text(), pick(w, "faults", "ended")))
	}
	return fmt.Sprintf("(%s ? %s : %s)", w.bool(d), w.bool(d), w.bool(d))
}

func (w writer) double(depth int) string {
	if depth == 0 {
		return pick(w, "x", "y", "z", "t", "0.0", "1.5", "-2.0", "1e308", "-1e-300", "9223372036854775808.0", "x", "y")
	}
	d := depth - 1
	switch w.IntN(7) {
	case 0:
		return "-" + w.double(0)
	case 1:
		return fmt.Sprintf("(%s ? %s : %s)", w.bool(d), w.double(d), w.double(d))
	}
	return fmt.Sprintf("(%s %s %s)", w.double(d), pick(w, "+", "-", "*", "/"), w.double(d))
}

func (w writer) smallInt() string { return pick(w, "0", "1", "-1", "7", "2024", "-3") }

func (w writer) int(depth int) string {
	if depth == 0 {
		return pick(w, w.smallInt(), "9223372036854775807", "-9223372036854775808", "4611686018427387904",
			"event.id", "event.service", "event.nrc", "event.line", "event.data.at(1)", "size(event.data)", "size(faults)", "size(ended)")
	}
	d := depth - 1
	switch w.IntN(8) {
	case 0:
		return "-(" + w.int(d) + ")"
	case 1:
		return fmt.Sprintf("(%s ? %s : %s)", w.bool(d), w.int(d), w.int(d))
	case 2:
		return fmt.Sprintf("event.data.at(%s)", w.int(d))
	}
	return fmt.Sprintf("(%s %s %s)", w.int(d), pick(w, "+", "-", "*", "/", "%"), w.int(d))
}

func (w writer) text() string {
	return pick(w, "key", "task", "event.kind", "event.ecu", "event.text", "event.status", `"on"`, `"learn"`, `"response"`, `""`, `"engine"`)
}

// scopes are moments with and without an observation, with usual and with odd numbers.
func scopes(lang *Language, infos []signal.Info) []*Scope {
	var list []*Scope
	for i, values := range [][6]float64{
		{0, 0, 0, 0, 0, 0}, {1.5, -2, 7, 1, 0, 2}, {math.NaN(), 1, math.Inf(1), 1, 1, 3},
		{math.Inf(-1), math.NaN(), 1e308, 0, 1, 9}, {9223372036854775807, -9223372036854775808, 0.5, 1, 0, 1},
	} {
		table := new(signal.Table)
		for k, info := range infos {
			table.Set(table.Define(info.Name, info.Unit, ""), values[k])
		}
		s := NewScope(table)
		if i > 0 {
			s.Enter(&judge.Observation{Kind: judge.TaskStart, Task: "learn"})
			s.Enter(&judge.Observation{Kind: judge.FaultOn, Fault: "on"})
			s.Leave(&judge.Observation{Kind: judge.TaskEnd, Task: "learn"})
			o := judge.Message(judge.Response, ms, []byte{0x7F, 0x31, byte(i)})
			o.ID, o.ECU, o.Text = 2024, "engine", "on"
			s.Enter(&o)
		}
		list = append(list, s)
	}
	return list
}

// The closures say what CEL's interpreter says: of 100,000 random expressions, in moments
// with and without an observation, each is true, false or an error for both. The peer is
// cel-go, with its own checks of overflow, of divisions by zero and of what is no number.
func TestClosuresAgreeWithCEL(t *testing.T) {
	n := 100_000
	if testing.Short() || underRace {
		n = 5_000
	}
	infos := []signal.Info{{Name: "x", Unit: "m"}, {Name: "y", Unit: "V"}, {Name: "z"}, {Name: "running", Unit: "bool"}, {Name: "warm", Unit: "bool"}, {Name: "key"}}
	lang, err := NewLanguage(infos)
	require.NoError(t, err)
	const parts = 4
	for part := range uint64(parts) {
		t.Run(fmt.Sprint(part), func(t *testing.T) {
			t.Parallel()
			moments := scopes(lang, infos)
			w := writer{rand.New(rand.NewPCG(4, part))}
			var told [3]int
			for i := range n / parts {
				src := w.bool(1 + i%3)
				agree(t, lang, src, moments, &told)
			}
			for what, times := range told {
				require.Greater(t, times, n/parts/10, "outcome %d hardly ever came", what)
			}
		})
	}
}

func agree(t *testing.T, lang *Language, src string, moments []*Scope, told *[3]int) {
	tree, issues := lang.env.Compile(src)
	require.NoError(t, issues.Err(), src)
	prog, err := lang.env.Program(tree, cel.EvalOptions(cel.OptOptimize))
	require.NoError(t, err, src)
	code, ok := lang.closure(tree.NativeRep().Expr())
	require.True(t, ok, "no closure: %s", src)
	for k, s := range moments {
		require.True(t, s.fits(lang))
		got, want := code.logic(s), outcome(prog.Eval(s))
		if got != want {
			t.Fatalf("%s\nin moment %d: closure %d, CEL %d", src, k, got, want)
		}
		told[want]++
	}
}

func outcome(v ref.Val, _ *cel.EvalDetails, err error) truth {
	switch {
	case err != nil:
		return failed
	case v == types.True:
		return yes
	}
	return no
}

// A table without a signal, or with another in its place, is left to the interpreter,
// which tells what is missing.
func TestClosuresNeedTheirSignals(t *testing.T) {
	r := newRig(t)
	c := r.cond("engine_rpm > 500")
	require.NotNil(t, c.closure)
	other := new(signal.Table)
	other.Define("clutch_pct", "%", "")
	s := NewScope(other)
	_, err := c.Holds(s)
	require.ErrorContains(t, err, "engine_rpm")
	other.Set(other.Define("engine_rpm", "rpm", ""), 600)
	holds, err := c.Holds(NewScope(other))
	require.NoError(t, err)
	require.True(t, holds)
}

// An error of a closure is told in CEL's words.
func TestErrorsAreTold(t *testing.T) {
	r := newRig(t)
	for src, want := range map[string]string{
		"1 / size(faults) > 0":                      "division by zero",
		"9223372036854775807 + size(ended) + 1 > 0": "overflow",
	} {
		_, err := r.cond(src).Holds(NewScope(&r.table))
		require.ErrorContains(t, err, want, src)
	}
}
