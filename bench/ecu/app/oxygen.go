package app

import (
	"time"

	"sawhorse/bench/signal"
)

// swing measures how much and how often a sensor's voltage moves.
type swing struct {
	last  float64
	moved float64 // V, gathered
	rich  bool
	turns float64 // crossings gathered
	overS float64
	// fallS and riseS run while the voltage is on its way between the two limits; the
	// others are the last whole ways.
	fallS, riseS         float64
	richLeanS, leanRichS float64
}

func (s *swing) see(v float64) {
	if d := v - s.last; d > 0 {
		s.moved += d
	} else {
		s.moved -= d
	}
	s.last = v
	const step = slowEvery * dt
	s.fallS, s.riseS = s.fallS+step, s.riseS+step
	if v >= 0.6 {
		s.fallS = 0
	}
	if v <= 0.3 {
		s.riseS = 0
	}
	switch {
	case v > 0.6 && !s.rich:
		s.leanRichS = s.riseS
	case v < 0.3 && s.rich:
		s.richLeanS = s.fallS
	}
	if v > 0.6 && !s.rich || v < 0.3 && s.rich {
		s.rich = !s.rich
		s.turns++
	}
	s.overS += step
}

func (s *swing) begin() { s.moved, s.turns, s.overS = 0, 0, 0 }

const (
	swingS    = 12   // window of the comparison, in seconds
	slowHz    = 0.3  // a sensor that switches less often is slow
	weakShare = 0.22 // of the front sensor's swing, behind a catalyst that stores little
)

// monitorLambda watches the oxygen sensors, and through those behind the
// catalysts how much oxygen these still store.
func (e *Engine) monitorLambda(now time.Duration) {
	in, m, w := &e.in, &e.mon, &e.watch
	if !e.start.running || e.runS < 15 {
		return
	}
	for b := range e.cal.Banks {
		v, behind := in.lambdaV[2*b], in.lambdaV[2*b+1]
		low, high := v < 0.02, v > 1.1
		m.FrontLow[b].test(now, low)
		m.FrontHigh[b].test(now, high)
		w.frontBad[b] = low || high
		heater := e.drivers.failed(frontHeaters[b])
		idle := e.runS > 25 && !e.bank[b].active
		m.FrontIdle[b].test(now, idle && !low && !high && !heater)

		lowBehind, highBehind := behind < 0.02, behind > 1.1
		m.RearLow[b].test(now, lowBehind)
		m.RearHigh[b].test(now, highBehind)
		still := behind > 0.43 && behind < 0.47
		w.rearIdleS[b] += slowEvery * dt
		if !still {
			w.rearIdleS[b] = 0
		}
		m.RearIdle[b].test(now, w.rearIdleS[b] > 15 && !e.drivers.failed(rearHeaters[b]))
		e.compareSwing(b, v, behind, lowBehind || highBehind || still)
		if w.swung[b] {
			m.FrontSlow[b].test(now, w.slow[b])
		}
		if w.compared[b] {
			m.Catalyst[b].test(now, w.weak[b])
		}
	}
}

var frontHeaters, rearHeaters = [2]string{"lambda-heater-b1s1", "lambda-heater-b2s1"}, [2]string{"lambda-heater-b1s2", "lambda-heater-b2s2"}

// compareSwing judges the speed of the front sensor and the catalyst from their
// swings over a window of closed loop at low flow.
func (e *Engine) compareSwing(b int, v, behind float64, blind bool) {
	f, r := &e.watch.front[b], &e.watch.rear[b]
	testing := e.evap.stage > evapWait && e.evap.stage < evapDone
	if e.bank[b].status != fuelClosed || !e.idle.active || e.runS < 20 || testing {
		f.begin()
		r.begin()
		f.last, r.last = v, behind
		return
	}
	f.see(v)
	r.see(behind)
	if f.overS < swingS {
		return
	}
	hz := f.turns / 2 / f.overS
	// One that does not cross at all, or whose trims are far out, is not slow.
	total := e.bank[b].short + e.bank[b].long
	w, sane := &e.watch, total < 22 && total > -22
	if f.turns > 0 && sane {
		e.readings.Set(e.measured.period[b], 1/hz)
	}
	w.slow[b], w.swung[b] = f.turns > 0 && sane && hz < slowHz, true
	// The catalyst can be judged only by a mixture that swings as it should.
	if share := r.moved / max(f.moved, 0.01); !blind && hz > 0.45 && total < 20 && total > -20 {
		e.readings.Set([...]signal.Ref{e.at.Swing1, e.at.Swing2}[b], min(share*100, 200))
		w.weak[b], w.compared[b] = share > weakShare, true
	}
	f.begin()
	r.begin()
}
