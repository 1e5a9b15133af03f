package monitor

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"sawhorse/bench/judge"
)

const unit = 20 * ms

var pairs = [][2]*atom{
	{atomX, atomY}, {atomY, atomX}, {atomX, atomRequest}, {atomRequest, atomX}, {atomRequest, atomReply}, {atomReply, atomRequest},
	{atomBoth, atomRequest}, {atomReply, atomBoth}, {atomMixed, atomReply}, {atomY, atomMixed},
}

// genMoments draws a run: samples and observations, some at the same time. The values
// are whole numbers and a half, so that no threshold is met exactly.
func genMoments(t *rapid.T, most int, faults bool) []moment {
	events := []string{"", "", "", "request", "request", "response", "response", "line", "fault-on f", "fault-off f"}
	if faults {
		events = append(events, "fault-on f", "fault-off f", "fault-off f", "fault-on g", "fault-off g")
	}
	var list []moment
	var m moment
	for range rapid.IntRange(0, most).Draw(t, "n") {
		m.at += time.Duration(rapid.IntRange(0, 2).Draw(t, "dt")) * unit
		m.event = rapid.SampledFrom(events).Draw(t, "event")
		m.x = float64(rapid.IntRange(-3, 2).Draw(t, "x")) + 0.5
		m.y = float64(rapid.IntRange(-3, 2).Draw(t, "y")) + 0.5
		list = append(list, m)
	}
	return list
}

func genCase(t *rapid.T, kind string) refCase {
	pick := func(name string, from ...*atom) *atom { return rapid.SampledFrom(from).Draw(t, name) }
	units := func(name string, least, most int) time.Duration {
		return time.Duration(rapid.IntRange(least, most).Draw(t, name)) * unit
	}
	// No condition follows from another, or the outcome would be certain for a
	// reason that no monitor looks for.
	pair := rapid.SampledFrom(pairs).Draw(t, "pair")
	c := refCase{kind: kind, a: pair[0], b: pair[1], atMost: -1}
	if rapid.Bool().Draw(t, "window") {
		c.from = units("from", 0, 3)
		c.until = c.from + units("until", 1, 8)
	}
	usesY := func(a *atom) bool { return a == atomY || a == atomBoth }
	if rapid.IntRange(0, 3).Draw(t, "while") == 0 && !usesY(c.a) && !usesY(c.b) {
		c.while = atomY
	}
	switch kind {
	case "eventually":
		if rapid.Bool().Draw(t, "bounded") {
			c.within, c.until = units("within", 1, 8), 0
		}
		if !c.a.onEvent {
			c.span = units("for", 0, 3)
		}
	case "until":
		if c.a.onEvent {
			c.a, c.b = atomX, pick("then", atomRequest, atomY)
			c.while = nil
		}
		if rapid.Bool().Draw(t, "bounded") {
			c.within, c.until = units("within", 1, 8), 0
		}
	case "before":
		c.each = rapid.Bool().Draw(t, "each")
	case "after", "after-never":
		c.within = units("within", 0, 5)
		c.span = units("not before", 0, 2)
		if c.within > 0 {
			c.span = min(c.span, c.within)
		}
		c.throughout = !c.a.onEvent && rapid.Bool().Draw(t, "throughout")
	case "count":
		c.atLeast = rapid.IntRange(0, 3).Draw(t, "at least")
		if c.atLeast == 0 || rapid.Bool().Draw(t, "bounded") {
			c.atMost = c.atLeast + rapid.IntRange(0, 2).Draw(t, "at most")
			c.span = units("in", 0, 3)
		}
	case "while":
		c.of = rapid.SampledFrom([][]string{nil, {"f"}, {"f", "g"}}).Draw(t, "of")
	case "recovers":
		c.of = rapid.SampledFrom([][]string{nil, {"f"}, {"f", "g"}}).Draw(t, "of")
		c.within = units("within", 1, 6)
		if !c.a.onEvent {
			c.span = units("for", 0, 2)
		}
	}
	return c
}

// expectation is the same for the monitors.
func (c *refCase) expectation(r *rig) Expectation {
	e := Expectation{From: c.from, Until: c.until}
	if c.while != nil {
		e.While = r.cond(c.while.src)
	}
	a, b := r.cond(c.a.src), r.cond(c.b.src)
	switch c.kind {
	case "always":
		e.Want = Always{a}
	case "never":
		e.Want = Never{a}
	case "while":
		e.Want = WhileFaultsOn{Hold: a, Of: c.of}
	case "eventually":
		e.Want = Eventually{Hold: a, Within: c.within, For: c.span}
	case "until":
		e.Want = UntilThen{Hold: a, Then: b, Within: c.within}
	case "before":
		e.Want = Before{First: a, Then: b, Each: c.each}
	case "after", "after-never":
		e.Want = After{Event: a, Then: b, Never: c.kind == "after-never", Throughout: c.throughout, NotBefore: c.span, Within: c.within}
	case "count":
		e.Want = Count{Of: a, AtLeast: c.atLeast, AtMost: c.atMost, In: c.span}
	case "recovers":
		e.Want = Recovers{That: a, Within: c.within, For: c.span, Of: c.of}
	}
	return e
}

// tell has the judge see a moment.
func (r *rig) tell(m moment) {
	r.set("x", m.x).set("y", m.y)
	if m.event == "" {
		r.now = m.at
		r.j.Sample(m.at)
		return
	}
	var kind judge.Kind
	name := ""
	if _, err := fmt.Sscanf(m.event, "fault-on %s", &name); err == nil {
		kind = judge.FaultOn
	} else if _, err := fmt.Sscanf(m.event, "fault-off %s", &name); err == nil {
		kind = judge.FaultOff
	} else if kind, _ = judge.KindOf(m.event); kind == judge.Request || kind == judge.Response {
		o := judge.Message(kind, m.at, []byte{0x22 + 0x40*byte(kind), 0xF1, 0x90})
		r.see(o)
		return
	}
	o := judge.Saw(kind, m.at)
	o.Fault = name
	r.see(o)
}

var (
	gaps   = []time.Duration{0, unit, 3 * unit}
	firsts = []string{"", "request", "response", "fault-on f", "fault-off f", "fault-off g"}
	tails  = [][]string{{""}, {"request"}, {"response"}, {"request", "response"}, {"", "", "request"}, {"", "", "response"}, {"fault-off f"}, {"fault-off f", "fault-off g"}, {"fault-on f", "fault-off f"}}
)

// ways is in how many ways goesOn can go on: a first moment, then a long time of the
// same, perhaps with many moments at once, that may end soon.
var ways = len(gaps) * len(firsts) * len(tails) * 4 * 4 * 64

// goesOn is what could come after some moments, and when that ends.
func goesOn(moments []moment, way int) ([]moment, time.Duration) {
	pick := func(n int) int {
		i := way % n
		way /= n
		return i
	}
	// A sign each for x and y, at first and later, and whether it goes on changing.
	xy := pick(64)
	tail, first, gap, dense := tails[pick(len(tails))], firsts[pick(len(firsts))], gaps[pick(len(gaps))], []int{1, 2, 4, 12}[pick(4)]
	stop := []int{2, 4, 6, 24}[pick(4)]
	sign := func(bit, i int) float64 { return float64((xy>>bit^xy>>(bit+2)&i)&1) - 0.5 }
	now := gap
	if len(moments) > 0 {
		now += moments[len(moments)-1].at
	}
	list := append(moments[:len(moments):len(moments)], moment{now, sign(0, 0), sign(1, 0), first})
	for i := range 24 {
		if i%dense == dense-1 || i >= 12 {
			now += unit
		}
		if i < stop {
			list = append(list, moment{now, sign(2, i), sign(3, i), tail[i%len(tail)]})
		}
	}
	return list, now + unit
}

// settled reports whether what can become of the run is one outcome only, as far as
// the ways show that are looked at.
func (c *refCase) settled(moments []moment, from, most int) (judge.Outcome, bool) {
	var first judge.Outcome
	for n := range most {
		const stride = 7919 // prime, so that neighbours are far apart
		o := c.read(goesOn(moments, (from+n*stride)%ways)).outcome
		if n == 0 {
			first = o
		}
		if o != first {
			return first, false
		}
	}
	return first, true
}

// checkDefinition plays a run to the judge and reads it by the definition: outcome and
// margin are the same, the margin is on the outcome's side, and it was decided at the
// first moment from which every way to go on comes to the same.
func checkDefinition(t *rapid.T, r *rig, kind string) {
	c := genCase(t, kind)
	moments := genMoments(t, 14, kind == "while" || kind == "recovers")
	r.judge(c.expectation(r))
	decided := -1
	for i, m := range moments {
		r.tell(m)
		if decided < 0 && r.j.Decided() {
			decided = i
		}
	}
	end := time.Duration(rapid.IntRange(0, 3).Draw(t, "rest")) * unit
	if n := len(moments); n > 0 {
		end += moments[n-1].at
	}
	got, want := r.j.Finish(end, true)[0], c.read(moments, end)
	if got.Outcome != want.outcome || got.Margin.Known != want.margin.Known ||
		got.Margin.Known && (got.Margin.Value-want.margin.Value > 1e-9 || want.margin.Value-got.Margin.Value > 1e-9) {
		t.Fatalf("got %v, margin %q (%s); the definition has %v, margin %q", got.Outcome, got.Margin, got.Reason, want.outcome, want.margin)
	}
	if m := got.Margin; m.Known && (got.Outcome == judge.Pass && m.Value < 0 || got.Outcome == judge.Fail && m.Value > 0 || got.Outcome != judge.Pass && got.Outcome != judge.Fail) {
		t.Fatalf("%v with margin %v", got.Outcome, m)
	}
	before, from := moments, rapid.IntRange(0, ways-1).Draw(t, "ways from")
	if decided >= 0 {
		if got.Decided != moments[decided].at {
			t.Fatalf("decided at moment %d and says %v", decided, got.Decided)
		}
		if o, ok := c.settled(moments[:decided+1], from, 300); !ok || o != got.Outcome {
			t.Fatalf("decided %v at moment %d (%s), from which %v is possible", got.Outcome, decided, got.Reason, o)
		}
		before = moments[:decided]
	}
	if o, ok := c.settled(before, from, ways); ok {
		t.Fatalf("decided at moment %d (%s), and was certainly %v before", decided, got.Reason, o)
	}
}

var refKinds = []string{"always", "never", "while", "eventually", "until", "before", "after", "after-never", "count", "recovers"}

func TestVerdictsAgreeWithTheirDefinition(t *testing.T) {
	for _, kind := range refKinds {
		t.Run(kind, func(t *testing.T) {
			r := newRig(t)
			rapid.Check(t, func(t *rapid.T) { checkDefinition(t, r, kind) })
		})
	}
}

func FuzzVerdictsAgreeWithTheirDefinition(f *testing.F) {
	chance := rand.NewChaCha8([32]byte{})
	for range 40 {
		seed := make([]byte, 1500)
		_, _ = chance.Read(seed) // never fails
		f.Add(seed)
	}
	f.Fuzz(rapid.MakeFuzz(func(t *rapid.T) {
		r := newRig(&testing.T{})
		checkDefinition(t, r, rapid.SampledFrom(refKinds).Draw(t, "kind"))
	}))
}
