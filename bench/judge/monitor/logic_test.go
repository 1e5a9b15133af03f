package monitor

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
)

// The worked example of Maler and Nickovic, "Monitoring Temporal Properties of
// Continuous Signals" (FORMATS 2004), section 4, from memory: x1 is a sine, x2 the
// same delayed by d, and always in 0..300, when x1 > 0.7, eventually in 3..5,
// x2 > 0.7. One unit of time is one degree here. By hand: x1 > 0.7 from 44.43 to
// 135.57, so the property holds for a delay of 3 to 5 and for no delay of 2 or 6.
func TestMalerNickovicDelayedSine(t *testing.T) {
	sine := func(degrees float64) float64 { return math.Sin(degrees * math.Pi / 180) }
	for delay, want := range map[float64]judge.Outcome{2: judge.Fail, 3: judge.Pass, 4: judge.Pass, 5: judge.Pass, 6: judge.Fail} {
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
		if want == judge.Fail {
			require.Less(t, v.Decided, 150*time.Second, "decided as soon as it can be")
		}
	}
}

// The stabilisation property of the same paper, from memory: after a disturbance
// (x beyond 1) the signal is back between -0.2 and 0.2 within 5 and stays for 3.
func TestMalerNickovicStabilisation(t *testing.T) {
	decay := func(tau float64) judge.Outcome {
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
	require.Equal(t, judge.Pass, decay(1.5))
	require.Equal(t, judge.Fail, decay(10))
}

// Definition 3 of Donze and Maler, "Robust Satisfaction of Temporal Logic over
// Real-Valued Signals" (FORMATS 2010), from memory, on a signal small enough for a
// pencil: x = 1 3 -2 4, y = -5 -1 2 0.
func TestDonzeMalerByHand(t *testing.T) {
	xs, ys := []float64{1, 3, -2, 4}, []float64{-5, -1, 2, 0}
	play := func(w func(*rig) Want) judge.Verdict {
		r := newRig(t)
		r.want(w(r))
		for i := range xs {
			r.set("y", ys[i])
			r.at(time.Duration(i)*time.Second, "x", xs[i])
		}
		return r.finish(4 * time.Second)
	}
	v := play(func(r *rig) Want { return Always{r.cond("x > 0.0")} })
	require.Equal(t, judge.Margin{Value: -2, Unit: "", Known: true}, v.Margin, "always is the least: min(1, 3, -2, 4)")
	v = play(func(r *rig) Want { return Never{r.cond("x > 5.0")} })
	require.Equal(t, judge.Margin{Value: 1, Unit: "", Known: true}, v.Margin, "always not: min(4, 2, 7, 1)")
	v = play(func(r *rig) Want { return Eventually{Hold: r.cond("x > 10.0")} })
	require.Equal(t, judge.Margin{Value: -6, Unit: "", Known: true}, v.Margin, "eventually is the greatest: max(-9, -7, -12, -6)")
	v = play(func(r *rig) Want { return UntilThen{Hold: r.cond("x > -1.0"), Then: r.cond("y > 1.0")} })
	require.Equal(t, judge.Pass, v.Outcome)
	require.Equal(t, judge.Margin{Value: 1, Unit: "", Known: true}, v.Margin, "until at the third moment: min(2-1, min(1+1, 3+1))")
	v = play(func(r *rig) Want { return UntilThen{Hold: r.cond("x > 2.0"), Then: r.cond("y > 1.0")} })
	require.Equal(t, judge.Fail, v.Outcome)
	require.Equal(t, 0*time.Second, v.Decided)
}

// The example of Fainekos and Pappas, "Robustness of Temporal Logic Specifications for
// Continuous-Time Signals" (Theoretical Computer Science 410, 2009), from memory: of
// s = sin t + sin 2t, always in 0 to 9/2 pi, when s is at least 1.5, eventually in pi
// to 2 pi, s is at most -1. By hand: the greatest value is 1.760 at t = 0.936, the
// least -1.760 at t = 2 pi - 0.936, so it holds, and it would not for -1.8.
func TestFainekosPappasTwoSines(t *testing.T) {
	const step = 10 * ms
	unit := func(u float64) time.Duration { return time.Duration(u * float64(time.Second)) }
	for low, want := range map[string]judge.Outcome{"x <= -1.0": judge.Pass, "x <= -1.7": judge.Pass, "x <= -1.8": judge.Fail} {
		r := newRig(t)
		r.judge(Expectation{Until: unit(4.5 * math.Pi), Want: After{
			Event: r.cond("x >= 1.5"), Then: r.cond(low), Throughout: true,
			NotBefore: unit(math.Pi), Within: unit(2 * math.Pi),
		}})
		for at := time.Duration(0); at < unit(7*math.Pi); at += step {
			s := at.Seconds()
			r.at(at, "x", math.Sin(s)+math.Sin(2*s))
		}
		v := r.finish(unit(7 * math.Pi))
		require.Equal(t, want, v.Outcome, "%s: %s", low, v.Reason)
		if want == judge.Fail {
			require.Less(t, v.Decided, unit(2.5*math.Pi), "the first x >= 1.5 has had its time")
		} else {
			require.Less(t, v.Decided, unit(6.5*math.Pi)+2*step, "the window and the last wait are behind")
		}
	}
}

// Theorem of the same paper and of Donze and Maler (2010), from memory: a signal that
// stays nearer than the robustness to one that satisfies a formula satisfies it too.
func TestRobustnessBoundsWhatASignalCanMove(t *testing.T) {
	xs := []float64{3, 2, 4, 2.5}
	play := func(move float64) judge.Verdict {
		r := newRig(t)
		r.want(Always{r.cond("x > 1.0")})
		for i, x := range xs {
			r.at(time.Duration(i)*time.Second, "x", x+move*float64(1-2*(i%2)))
		}
		return r.finish(5 * time.Second)
	}
	rho := play(0).Margin.Value
	require.InDelta(t, 1, rho, 0)
	require.Equal(t, judge.Pass, play(rho*0.999).Outcome)
	require.Equal(t, judge.Fail, play(rho*1.001).Outcome)
}
