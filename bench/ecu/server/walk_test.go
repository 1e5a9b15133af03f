package server

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/ecu/spec"
)

// The tests of this file walk everything that the units of all cars have as data:
// each routine, output and test is started with each of its preconditions broken,
// and each is broken half way. What must come of it is worked out here from the
// data by a second reading of it.

// eachUnit runs a test for every unit of every built-in car.
func eachUnit(t *testing.T, run func(t *testing.T, spec *spec.Unit)) {
	t.Helper()
	units := 0
	for _, name := range car.Names() {
		c, err := car.BuiltIn(name)
		require.NoError(t, err)
		specs, err := specsOf(c)
		require.NoError(t, err)
		for _, s := range specs {
			units++
			t.Run(name+"/"+s.Name, func(t *testing.T) { run(t, s) })
		}
	}
	require.NotZero(t, units, "no units: this would prove nothing")
}

// met reads a condition anew, from its numbers.
func met(c *spec.Condition, v float64, stored bool) bool {
	if c.Stored != "" {
		return stored
	}
	return (c.Is == nil || v == *c.Is) && (c.Below == nil || v < *c.Below) && (c.Above == nil || v > *c.Above) &&
		(c.AtLeast == nil || v >= *c.AtLeast) && (c.AtMost == nil || v <= *c.AtMost)
}

// values are readings by name, and stored things by name.
type values struct {
	read   map[string]float64
	stored map[string]bool
}

func (v values) met(c *spec.Condition) bool { return met(c, v.read[c.Signal], v.stored[c.Stored]) }

// first is the first condition that does not hold, nil if all do.
func (v values) first(cs []spec.Condition) *spec.Condition {
	for i := range cs {
		if !v.met(&cs[i]) {
			return &cs[i]
		}
	}
	return nil
}

// choose gives values under which all conditions hold.
func choose(t testing.TB, cs []spec.Condition) values {
	t.Helper()
	v := values{map[string]float64{}, map[string]bool{}}
	for i := range cs {
		if cs[i].Stored != "" {
			v.stored[cs[i].Stored] = true
			continue
		}
		low, high := math.Inf(-1), math.Inf(1)
		for k := range cs {
			c := &cs[k]
			if c.Signal != cs[i].Signal {
				continue
			}
			for _, lo := range []*float64{c.Is, c.Above, c.AtLeast} {
				if lo != nil {
					low = max(low, *lo)
				}
			}
			for _, hi := range []*float64{c.Is, c.Below, c.AtMost} {
				if hi != nil {
					high = min(high, *hi)
				}
			}
		}
		x := (low + high) / 2
		switch {
		case math.IsInf(low, -1):
			x = high - 1
		case math.IsInf(high, 1):
			x = low + 1
		}
		v.read[cs[i].Signal] = x
	}
	require.Nil(t, v.first(cs), "no values fit all conditions")
	return v
}

// without are the values with one condition broken, and, where that can be, no other
// of the list.
func (v values) without(c *spec.Condition, cs []spec.Condition) values {
	w := values{map[string]float64{}, map[string]bool{}}
	for k, x := range v.read {
		w.read[k] = x
	}
	for k, x := range v.stored {
		w.stored[k] = x
	}
	if c.Stored != "" {
		w.stored[c.Stored] = false
		return w
	}
	best, fewest := 0.0, len(cs)+1
	for _, limit := range []*float64{c.Is, c.Below, c.Above, c.AtLeast, c.AtMost} {
		if limit == nil {
			continue
		}
		for _, x := range []float64{*limit, *limit - 1, *limit + 1, *limit - 1000, *limit + 1000} {
			w.read[c.Signal] = x
			if met(c, x, false) {
				continue
			}
			n := 0
			for i := range cs {
				if !w.met(&cs[i]) {
					n++
				}
			}
			if n < fewest {
				best, fewest = x, n
			}
		}
	}
	w.read[c.Signal] = best
	return w
}

// apply makes the fake car what the values say.
func (r *rig) apply(v values) {
	for name, x := range v.read {
		r.plant.Set(name, x)
	}
	for name, there := range v.stored {
		_, text := r.nv.Text(name)
		switch {
		case !there:
			r.nv.Erase(name)
		case !text && !r.nv.Has(name):
			r.nv.Set(name, 0.7)
		}
	}
}

// toSession enters a session by those it can be entered from, and unlocks a level.
func (r *rig) toSession(in []string, level byte) {
	r.t.Helper()
	if len(in) > 0 && r.server.session.name != in[0] { // entering it again would lock
		s := r.spec.Session(in[0])
		if len(s.From) > 0 && !slices.Contains(s.From, r.spec.Sessions[0].Session) {
			r.toSession(s.From[:1], 0)
		}
		got := r.ask(fmt.Sprintf("10 %02X", s.ID))
		require.True(r.t, strings.HasPrefix(got, fmt.Sprintf("50 %02X", s.ID)), got)
	}
	if level != 0 && r.server.locks.open != level {
		require.Equal(r.t, fmt.Sprintf("67 %02X", 2*level), r.tryKey(int(level), true))
	}
}

// walked is one routine in a rig.
type walked struct {
	*rig
	spec *spec.Routine
	// good are values under which it can be started and run.
	good values
	rid  string
}

func newWalked(t testing.TB, spec *spec.Unit, x *spec.Routine) *walked {
	w := &walked{rig: newRig(t, spec), spec: x, rid: fmt.Sprintf("%02X %02X", x.RID>>8, x.RID&0xFF)}
	w.good = choose(t, slices.Concat(serviceNeeds(spec, 0x31), x.Needs, w.holdOf(0)))
	return w
}

func serviceNeeds(spec *spec.Unit, sid byte) []spec.Condition {
	for i := range spec.Services {
		if spec.Services[i].Service == sid {
			return spec.Services[i].Needs
		}
	}
	return nil
}

func (w *walked) holdOf(step int) []spec.Condition {
	if h := w.spec.Steps[step].Hold; h != nil {
		return *h
	}
	return w.spec.Hold
}

// option is what a start needs behind the identifier.
func (w *walked) option() string {
	if w.spec.Does != spec.DoesErase {
		return ""
	}
	for _, r := range w.rig.spec.Regions {
		if r.Program {
			return fmt.Sprintf(" 44 %08X %08X", r.Address, r.Size)
		}
	}
	return ""
}

func (w *walked) start() string { return w.ask("31 01 " + w.rid + w.option()) }

// result asks how it went, in a session that has it.
func (w *walked) result() string {
	w.toSession(w.spec.In, 0)
	return strings.TrimPrefix(w.ask("31 03 "+w.rid), "71 03 "+w.rid+" ")
}

// learnable are the conditions under which what a step measures is sound.
func (w *walked) learnable(step int) []spec.Condition {
	var cs []spec.Condition
	for i := range w.spec.Learns {
		l := &w.spec.Learns[i]
		if l.During != "" && l.During != w.spec.Steps[step].Step {
			continue
		}
		shift := func(v *float64) *float64 {
			if v == nil {
				return nil
			}
			x := *v - l.Plus
			return &x
		}
		if l.AtLeast != nil || l.AtMost != nil {
			cs = append(cs, spec.Condition{Signal: l.From, AtLeast: shift(l.AtLeast), AtMost: shift(l.AtMost)})
		}
	}
	return cs
}

// reach starts the routine and takes it to a step.
func (w *walked) reach(step int) {
	w.t.Helper()
	w.toSession(w.spec.In, w.spec.Security)
	v := choose(w.t, slices.Concat(w.spec.Needs, w.holdOf(0), w.learnable(0)))
	w.apply(v)
	require.Equal(w.t, "71 01 "+w.rid+" 01", w.start())
	for k := range step {
		w.complete(k)
	}
	w.settle(step)
}

// settle makes the conditions of a step hold without completing it.
func (w *walked) settle(step int) {
	st := &w.spec.Steps[step]
	w.apply(choose(w.t, slices.Concat(w.holdOf(step), w.learnable(step))))
	for i := range st.Until {
		if v := choose(w.t, slices.Concat(w.holdOf(step), w.learnable(step))); !v.met(&st.Until[i]) {
			return
		}
	}
	if len(st.Until) > 0 { // hold alone completes it: break what ends the step
		cs := slices.Concat(w.holdOf(step), w.learnable(step))
		w.apply(choose(w.t, cs).without(&st.Until[0], cs))
	}
}

// complete takes a step to its end.
func (w *walked) complete(step int) {
	w.t.Helper()
	st := &w.spec.Steps[step]
	w.settle(step)
	w.wait(20 * time.Millisecond)
	if st.Takes > 0 {
		w.keep(st.Takes.Duration())
		return
	}
	w.apply(choose(w.t, slices.Concat(w.holdOf(step), st.Until)))
	w.wait(10 * time.Millisecond)
}

// keep lets time pass with the session kept.
func (w *walked) keep(d time.Duration) {
	for ; d > 0; d -= time.Second {
		w.ask("3E 80")
		w.wait(min(d, time.Second))
	}
}

// returned reports whether every output that was taken was given back.
func (w *walked) returned() bool {
	held := map[string]bool{}
	for _, o := range w.plant.Outputs {
		name, _, _ := strings.Cut(o, " ")
		held[name] = !strings.HasSuffix(o, " returned")
	}
	for _, on := range held {
		if on {
			return false
		}
	}
	return true
}

func eachRoutine(t *testing.T, run func(t *testing.T, spec *spec.Unit, x *spec.Routine)) {
	n := 0
	eachUnit(t, func(t *testing.T, spec *spec.Unit) {
		for i := range spec.Routines {
			x := &spec.Routines[i]
			n++
			t.Run(x.Name, func(t *testing.T) { run(t, spec, x) })
		}
	})
	require.NotZero(t, n, "no routines: this would prove nothing")
}

// Every routine runs to its end when everything holds, and stores what it learns.
func TestEveryRoutineCanBeDone(t *testing.T) {
	eachRoutine(t, func(t *testing.T, spec *spec.Unit, x *spec.Routine) {
		w := newWalked(t, spec, x)
		w.reach(0)
		for k := range x.Steps {
			w.complete(k)
		}
		assert.Equal(t, "00 00", w.result())
		for i := range x.Learns {
			_, ok := w.nv.Get(x.Learns[i].Value)
			assert.True(t, ok, "%s is not stored", x.Learns[i].Value)
		}
		assert.True(t, w.returned(), "outputs are still held: %v", w.plant.Outputs)
	})
}

// A start with one precondition broken is refused with the code that the data gives
// it (ISO 14229-1 annex A: 22, or 81 to 94 for the cause), and nothing has begun.
func TestEveryPreconditionRefusesItsRoutine(t *testing.T) {
	eachRoutine(t, func(t *testing.T, spec *spec.Unit, x *spec.Routine) {
		for i := range x.Needs {
			w := newWalked(t, spec, x)
			w.toSession(x.In, x.Security)
			bad := w.good.without(&x.Needs[i], x.Needs)
			w.apply(bad)
			want := bad.first(x.Needs)
			require.NotNil(t, want)
			assert.Same(t, &x.Needs[i], want, "need %d cannot be broken alone", i)
			assert.Equal(t, fmt.Sprintf("7F 31 %02X", want.NRC), w.start(), want.Says)
			assert.Equal(t, "03 00", w.result(), "never run")
			assert.NotEmpty(t, want.Says, "need %d has no words", i)
		}
	})
}

// Whatever a routine needs at the start must go on to hold while its first step
// lasts: broken half way, it ends with a reason and words, or begins the step again.
func TestEveryPreconditionGoesOnToHold(t *testing.T) {
	eachRoutine(t, func(t *testing.T, spec *spec.Unit, x *spec.Routine) {
		for i := range x.Needs {
			w := newWalked(t, spec, x)
			w.reach(0)
			hold := w.holdOf(0)
			bad := choose(t, slices.Concat(hold, w.learnable(0))).without(&x.Needs[i], nil)
			if limit := x.Needs[i]; limit.Signal != "" { // far out, as hold may be a little wider
				for _, far := range []float64{-1e4, 1e4} {
					if !met(&limit, far, false) {
						bad.read[limit.Signal] = far
					}
				}
			}
			h := bad.first(hold)
			if !assert.NotNil(t, h, "need %d (%s) may fall away unnoticed", i, x.Needs[i].Says) {
				continue
			}
			w.breakHalfWay(0, bad, h)
		}
	})
}

// Every condition of every step, broken half way, has the outcome that the data
// gives it.
func TestEveryHoldEndsItsRoutine(t *testing.T) {
	eachRoutine(t, func(t *testing.T, spec *spec.Unit, x *spec.Routine) {
		for k := range x.Steps {
			w := newWalked(t, spec, x)
			hold := w.holdOf(k)
			for i := range hold {
				w := newWalked(t, spec, x)
				w.reach(k)
				bad := choose(t, slices.Concat(hold, w.learnable(k))).without(&hold[i], hold)
				h := bad.first(hold)
				require.NotNil(t, h)
				assert.Same(t, &hold[i], h, "hold %d of step %d cannot be broken alone", i, k)
				w.breakHalfWay(k, bad, h)
			}
		}
	})
}

// breakHalfWay breaks a condition in the middle of a step and looks at the outcome.
func (w *walked) breakHalfWay(step int, bad values, h *spec.Condition) {
	w.t.Helper()
	st := &w.spec.Steps[step]
	assert.NotEmpty(w.t, h.Says, "a hold without words")
	if st.Takes > 0 {
		w.keep(st.Takes.Duration() / 2)
	} else {
		w.wait(50 * time.Millisecond)
	}
	require.Equal(w.t, "01 00", w.result(), "it runs before")
	learned := w.learnedNow()
	w.apply(bad)
	w.wait(20 * time.Millisecond)
	if !h.Again {
		assert.Equal(w.t, fmt.Sprintf("02 %02X", h.Reason), w.result(), h.Says)
		assert.Equal(w.t, learned, w.learnedNow(), "nothing is stored")
		assert.True(w.t, w.returned(), "outputs are still held: %v", w.plant.Outputs)
		return
	}
	// It began anew: after half its time it is not done, after all of it it is.
	w.settle(step)
	w.keep(st.Takes.Duration() * 3 / 4)
	assert.Equal(w.t, "01 00", w.result(), "the step began anew: %s", h.Says)
	assert.Equal(w.t, st.Step, w.stepNow())
	w.keep(st.Takes.Duration() / 2)
	assert.NotEqual(w.t, st.Step, w.stepNow(), "the whole time has passed: %s", h.Says)
}

// stepNow is the step that the unit's program was told last, "" when ended.
func (w *walked) stepNow() string {
	_, step, _ := strings.Cut(w.plant.Steps[len(w.plant.Steps)-1], ":")
	return step
}

func (w *walked) learnedNow() []string {
	var got []string
	for i := range w.spec.Learns {
		v, ok := w.nv.Get(w.spec.Learns[i].Value)
		got = append(got, fmt.Sprint(v, ok))
	}
	return got
}

// A step that waits ends by itself, with the server's own reason F0; a stopped one
// with F1, one whose session ends with F2, one in a reset with F3, one without supply
// with F4. Steps that the data lets outlast session or supply go on.
func TestEveryStepEndsInTimeOrIsEnded(t *testing.T) {
	eachRoutine(t, func(t *testing.T, spec *spec.Unit, x *spec.Routine) {
		for k := range x.Steps {
			st := &x.Steps[k]
			at := func() *walked {
				w := newWalked(t, spec, x)
				w.reach(k)
				w.wait(20 * time.Millisecond)
				return w
			}
			if st.Takes == 0 {
				w := at()
				w.keep(st.Within.Duration() + 20*time.Millisecond)
				assert.Equal(t, "02 F0", w.result(), "step %s has its time", st.Step)
			}
			w := at()
			w.toSession(x.In, x.Security)
			assert.Equal(t, "71 02 "+w.rid+" 02", w.ask("31 02 "+w.rid))
			assert.Equal(t, "02 F1", w.result())
			assert.True(t, w.returned())
			assert.Equal(t, "7F 31 24", w.unlocked("31 02 "+w.rid), "stopped already")

			w = at()
			w.ask("10 01")
			want := "02 F2"
			if st.Sessionless || st.Lasting || slices.Contains(x.In, spec.Sessions[0].Session) {
				want = "01 00"
			}
			assert.Equal(t, want, w.result(), "step %s without its session", st.Step)

			w = at()
			w.server.Power(w.now, false)
			w.wait(time.Second)
			w.server.Power(w.now, true)
			w.wait(time.Second)
			want = "02 F4"
			if st.Lasting {
				want = "01 00"
			}
			assert.Equal(t, want, w.result(), "step %s without supply", st.Step)

			w = at()
			if got := w.ask("11 01"); got != "51 01" {
				assert.Regexp(t, "^7F 11 (22|8.|9.)$", got, "refused for its conditions only")
				continue
			}
			w.wait(2 * time.Second)
			if !st.Lasting {
				want = "02 F3"
			}
			assert.Equal(t, want, w.result(), "step %s after a reset", st.Step)
		}
	})
}

// unlocked asks in the routine's session with its lock open.
func (w *walked) unlocked(req string) string {
	w.toSession(w.spec.In, w.spec.Security)
	return w.ask(req)
}

// A value that cannot be true is not stored, and the reason is the data's.
func TestEveryLearnedValueIsJudged(t *testing.T) {
	n := 0
	eachRoutine(t, func(t *testing.T, u *spec.Unit, x *spec.Routine) {
		for i := range x.Learns {
			l := &x.Learns[i]
			for _, limit := range []*float64{l.AtLeast, l.AtMost} {
				if limit == nil {
					continue
				}
				far := *limit - l.Plus + 0.4
				if limit == l.AtLeast {
					far = *limit - l.Plus - 0.4
				}
				if l.Onto {
					far += far - *limit // it is added to what was there
				}
				w := newWalked(t, u, x)
				if !w.measure(l.From, far) {
					continue // a condition forbids it before it is learned
				}
				n++
				first := slices.IndexFunc(x.Learns, func(o spec.Learn) bool { return o.From == l.From })
				assert.Equal(t, fmt.Sprintf("02 %02X", x.Learns[first].Reason), w.result(), "%s from %g", l.Value, far)
			}
		}
	})
	assert.NotZero(t, n, "no value could be altered")
}

// measure runs a routine with one reading far from where it belongs; false if a
// condition does not let it.
func (w *walked) measure(name string, far float64) bool {
	alter := func(cs ...[]spec.Condition) (values, bool) {
		all := slices.Concat(cs...)
		v := choose(w.t, all)
		v.read[name] = far
		return v, v.first(all) == nil
	}
	w.toSession(w.spec.In, w.spec.Security)
	v, ok := alter(w.spec.Needs, w.holdOf(0))
	if !ok {
		return false
	}
	w.apply(v)
	require.Equal(w.t, "71 01 "+w.rid+" 01", w.start())
	for k := range w.spec.Steps {
		st := &w.spec.Steps[k]
		if v, ok = alter(w.holdOf(k)); !ok {
			return false
		}
		w.apply(v)
		w.keep(st.Takes.Duration() + 20*time.Millisecond)
		if v, ok = alter(w.holdOf(k), st.Until); !ok {
			return false
		}
		w.apply(v)
		w.wait(20 * time.Millisecond)
	}
	return true
}
