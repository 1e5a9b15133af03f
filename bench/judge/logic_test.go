package judge

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The worked example of Maler and Nickovic, "Monitoring Temporal Properties of
// Continuous Signals" (FORMATS 2004), section 4, from memory: x1 is a sine, x2 the
// same delayed by d, and always in 0..300, when x1 > 0.7, eventually in 3..5,
// x2 > 0.7. One unit of time is one degree here. By hand: x1 > 0.7 from 44.43 to
// 135.57, so the property holds for a delay of 3 to 5 and for no delay of 2 or 6.
func TestMalerNickovicDelayedSine(t *testing.T) {
	sine := func(degrees float64) float64 { return math.Sin(degrees * math.Pi / 180) }
	for delay, want := range map[float64]Outcome{2: Fail, 3: Pass, 4: Pass, 5: Pass, 6: Fail} {
		r := newRig(t)
		r.judge(Expectation{Until: 300 * time.Second, Want: After{
			Event: r.cond("x > 0.7"), Then: r.cond("y > 0.7"), Throughout: true,
			NotBefore: 3 * time.Second, Within: 5 * time.Second,
		}})
		for ms10 := 0; ms10 <= 31000; ms10 += 10 {
			at := float64(ms10) / 100
			r.set("y", 0)
			if at >= delay {
				r.set("y", sine(at-delay))
			}
			r.at(time.Duration(ms10)*10*ms, "x", sine(at))
		}
		v := r.finish(310 * time.Second)
		require.Equal(t, want, v.Outcome, "delay %v: %s", delay, v.Reason)
		if want == Fail {
			require.Less(t, v.Decided, 150*time.Second, "decided as soon as it can be")
		}
	}
}

// The stabilisation property of the same paper, from memory: after a disturbance
// (x beyond 1) the signal is back between -0.2 and 0.2 within 5 and stays for 3.
func TestMalerNickovicStabilisation(t *testing.T) {
	decay := func(tau float64) Outcome {
		r := newRig(t)
		r.judge(Expectation{From: time.Second, Want: Eventually{
			Hold: r.cond("x > -0.2 && x < 0.2"), Within: 5 * time.Second, For: 3 * time.Second}})
		for i := range 600 {
			at := float64(i) * 0.02
			x := 0.0
			if at >= 1 {
				x = 1.5 * math.Exp(-(at-1)/tau) * math.Cos(3*(at-1))
			}
			r.at(time.Duration(i)*20*ms, "x", x)
		}
		return r.finish(12 * time.Second).Outcome
	}
	require.Equal(t, Pass, decay(1.5))
	require.Equal(t, Fail, decay(10))
}

// Definition 3 of Donze and Maler, "Robust Satisfaction of Temporal Logic over
// Real-Valued Signals" (FORMATS 2010), from memory, on a signal small enough for a
// pencil: x = 1 3 -2 4, y = -5 -1 2 0.
func TestDonzeMalerByHand(t *testing.T) {
	xs, ys := []float64{1, 3, -2, 4}, []float64{-5, -1, 2, 0}
	play := func(w func(*rig) Want) Verdict {
		r := newRig(t)
		r.want(w(r))
		for i := range xs {
			r.set("y", ys[i])
			r.at(time.Duration(i)*time.Second, "x", xs[i])
		}
		return r.finish(4 * time.Second)
	}
	v := play(func(r *rig) Want { return Always{r.cond("x > 0.0")} })
	require.Equal(t, Margin{-2, "", true}, v.Margin, "always is the least: min(1, 3, -2, 4)")
	v = play(func(r *rig) Want { return Never{r.cond("x > 5.0")} })
	require.Equal(t, Margin{1, "", true}, v.Margin, "always not: min(4, 2, 7, 1)")
	v = play(func(r *rig) Want { return Eventually{Hold: r.cond("x > 10.0")} })
	require.Equal(t, Margin{-6, "", true}, v.Margin, "eventually is the greatest: max(-9, -7, -12, -6)")
	v = play(func(r *rig) Want { return UntilThen{Hold: r.cond("x > -1.0"), Then: r.cond("y > 1.0")} })
	require.Equal(t, Pass, v.Outcome)
	require.Equal(t, Margin{1, "", true}, v.Margin, "until at the third moment: min(2-1, min(1+1, 3+1))")
	v = play(func(r *rig) Want { return UntilThen{Hold: r.cond("x > 2.0"), Then: r.cond("y > 1.0")} })
	require.Equal(t, Fail, v.Outcome)
	require.Equal(t, 0*time.Second, v.Decided)
}

// trace is a random signal at the sampling step.
type trace struct{ x, y []float64 }

func genTrace(t *rapid.T) trace {
	value := rapid.Custom(func(t *rapid.T) float64 { return float64(rapid.IntRange(-6, 6).Draw(t, "v")) })
	n := rapid.IntRange(2, 25).Draw(t, "n")
	return trace{rapid.SliceOfN(value, n, n).Draw(t, "x"), rapid.SliceOfN(value, n, n).Draw(t, "y")}
}

func (tr trace) play(r *rig, e Expectation) Verdict {
	r.judge(e)
	for i := range tr.x {
		r.set("y", tr.y[i])
		r.at(time.Duration(i)*20*ms, "x", tr.x[i])
	}
	return r.finish(time.Duration(len(tr.x)) * 20 * ms)
}

// The monitors decide as they go; the definition looks at the whole signal at once.
// Both must agree on the verdict, on when it could first be told, and on the margin.
func TestAlwaysAgreesWithItsDefinition(t *testing.T) {
	r := newRig(t)
	rapid.Check(t, func(t *rapid.T) {
		tr := genTrace(t)
		from := rapid.IntRange(0, len(tr.x)-1).Draw(t, "from")
		to := rapid.IntRange(from, len(tr.x)-1).Draw(t, "to")
		v := tr.play(r, Expectation{From: time.Duration(from) * 20 * ms, Until: time.Duration(to)*20*ms + ms,
			Want: Always{r.cond("x > 0.0")}})
		least, first := math.Inf(1), -1
		for i := from; i <= to; i++ {
			least = math.Min(least, tr.x[i])
			if tr.x[i] <= 0 && first < 0 {
				first = i
			}
		}
		want := Pass
		if first >= 0 {
			want = Fail
		}
		if v.Outcome != want || v.Margin.Value != least {
			t.Fatalf("got %v margin %v, the definition has %v and %v", v.Outcome, v.Margin, want, least)
		}
		if want == Fail && v.Decided != time.Duration(first)*20*ms {
			t.Fatalf("decided at %v, could be told at sample %d", v.Decided, first)
		}
	})
}

func TestEventuallyAgreesWithItsDefinition(t *testing.T) {
	r := newRig(t)
	rapid.Check(t, func(t *rapid.T) {
		tr := genTrace(t)
		within := rapid.IntRange(1, len(tr.x)-1).Draw(t, "within")
		stay := rapid.IntRange(0, 3).Draw(t, "for")
		v := tr.play(r, Expectation{Want: Eventually{Hold: r.cond("x > 0.0"),
			Within: time.Duration(within) * 20 * ms, For: time.Duration(stay) * 20 * ms}})
		// Eventually in 0..within, always in 0..stay: some start from which all
		// samples hold. One that the end of the signal cuts off is undecided.
		want, greatest := Fail, math.Inf(-1)
		for i := 0; i <= within && i < len(tr.x); i++ {
			greatest = math.Max(greatest, tr.x[i])
			holds, cut := true, false
			for k := i; k <= i+stay; k++ {
				if k >= len(tr.x) {
					cut = true
					break
				}
				holds = holds && tr.x[k] > 0
			}
			switch {
			case holds && !cut:
				want = Pass
			case holds && cut && want == Fail:
				want = Undecided
			}
		}
		if v.Outcome != want {
			t.Fatalf("got %v (%s), the definition has %v", v.Outcome, v.Reason, want)
		}
		if want == Fail && greatest < 0 && v.Margin.Value != greatest {
			t.Fatalf("margin %v, the definition has %v", v.Margin, greatest)
		}
	})
}

func TestUntilAgreesWithItsDefinition(t *testing.T) {
	r := newRig(t)
	rapid.Check(t, func(t *rapid.T) {
		tr := genTrace(t)
		within := rapid.IntRange(1, len(tr.x)-1).Draw(t, "within")
		v := tr.play(r, Expectation{Want: UntilThen{Hold: r.cond("x > 0.0"), Then: r.cond("y > 0.0"),
			Within: time.Duration(within) * 20 * ms}})
		want, rho := Fail, math.Inf(-1)
		for i := 0; i <= within; i++ {
			held := math.Inf(1)
			for k := range i {
				held = math.Min(held, tr.x[k])
			}
			rho = math.Max(rho, math.Min(tr.y[i], held))
			if tr.y[i] > 0 && held > 0 {
				want = Pass
			}
		}
		if v.Outcome != want {
			t.Fatalf("got %v (%s), the definition has %v", v.Outcome, v.Reason, want)
		}
		// Decided early, the margin is of what was seen: it bounds the whole
		// run's from below, and its sign is the verdict's.
		if v.Margin.Value > rho || want == Pass && v.Margin.Value <= 0 || want == Fail && v.Margin.Value > 0 {
			t.Fatalf("%v with margin %v, the definition has %v", want, v.Margin, rho)
		}
	})
}

func TestAfterAgreesWithItsDefinition(t *testing.T) {
	r := newRig(t)
	rapid.Check(t, func(t *rapid.T) {
		tr := genTrace(t)
		least := rapid.IntRange(0, 3).Draw(t, "not before")
		within := rapid.IntRange(max(least, 1), 6).Draw(t, "within")
		v := tr.play(r, Expectation{Want: After{Event: r.cond("x > 2.0"), Then: r.cond("y > 2.0"), Throughout: true,
			NotBefore: time.Duration(least) * 20 * ms, Within: time.Duration(within) * 20 * ms}})
		// Always (x implies eventually in least..within y).
		want := Pass
		for i, x := range tr.x {
			if x <= 2 {
				continue
			}
			met := false
			for k := i + least; k <= i+within && k < len(tr.y); k++ {
				met = met || tr.y[k] > 2
			}
			switch {
			case met:
			case i+within < len(tr.x):
				want = Fail
			case want == Pass:
				want = Undecided
			}
		}
		if v.Outcome != want {
			t.Fatalf("got %v (%s), the definition has %v", v.Outcome, v.Reason, want)
		}
	})
}
