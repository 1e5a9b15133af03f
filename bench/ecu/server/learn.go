package server

import (
	"math"
	"time"

	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
)

// learn gathers one reading over the steps of a routine's run.
type learn struct {
	spec  *spec.Learn
	ref   signal.Ref
	n     int
	value float64
	// at is the time of the last sample.
	at time.Duration
}

func (r *routine) forgetSamples() {
	for i := range r.learns {
		r.learns[i].n = 0
	}
}

// sample takes the readings that are learned in this step.
func (r *routine) sample(step string, now time.Duration, t *signal.Table) {
	for i := range r.learns {
		if l := &r.learns[i]; l.spec.During == "" || l.spec.During == step {
			l.sample(now, t.Get(l.ref))
		}
	}
}

// sampleEvery is the least time between two samples, so that extra calls of
// Tick do not weigh.
const sampleEvery = 5 * time.Millisecond

func (l *learn) sample(now time.Duration, v float64) {
	if l.n > 0 && now-l.at < sampleEvery {
		return
	}
	l.n++
	l.at = now
	switch {
	case l.n == 1, l.spec.Over == spec.OverLast:
		l.value = v
	case l.spec.Over == spec.OverHighest:
		l.value = max(l.value, v)
	case l.spec.Over == spec.OverLowest:
		l.value = min(l.value, v)
	default: // mean
		l.value += (v - l.value) / float64(l.n)
	}
}

// learned is what is stored: the value taken, to a millionth so that it reads back
// exactly, on top of what was learned before where the description says so.
func (l *learn) learned(m *nv.Memory) float64 {
	v := math.Round((l.value+l.spec.Plus)*1e6) / 1e6
	if l.spec.Onto {
		was, _ := m.Get(l.spec.Value)
		v = math.Round((v+was)*1e6) / 1e6
	}
	return v
}

func (l *learn) sound(v float64) bool {
	return l.n > 0 && (l.spec.AtLeast == nil || v >= *l.spec.AtLeast) && (l.spec.AtMost == nil || v <= *l.spec.AtMost)
}
