package rules_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge/rules"
	"sawhorse/canbus"
)

// pairs are as many as a car with a body unit on its own identifiers has.
var pairs = []rules.Pair{{
	Name: "body", Request: canbus.KeyOf(0x7A0, false), Response: canbus.KeyOf(0x7A8, false),
}}

// seen shows one set the same frames again and again.
func seen(b *testing.B, own bool, frames ...canbus.Frame) {
	s := rules.New(rules.Options{Pairs: pairs})
	at, n := time.Duration(0), 0
	b.ReportAllocs()
	for b.Loop() {
		f := &frames[n%len(frames)]
		n++
		at += 100 * time.Microsecond
		f.Time = at
		s.See(n, f, own || f.ID >= 0x7E8, false)
	}
}

// The car's own periodic messages are nearly all the frames of a run, and no rule is
// about them: what one costs is what the rules cost.
func BenchmarkPeriodicFrame(b *testing.B) {
	seen(b, true, canbus.New(0x0F0, 0, 0, 9, 0xD5, 0, 0, 0, 0))
}

func BenchmarkPeriodicFrameOf29Bits(b *testing.B) {
	seen(b, true, canbus.NewExtended(0x0CF00400, 0, 0, 9, 0xD5, 0, 0, 0, 0))
}

// A request and its answer go through every rule.
func BenchmarkDiagnosticFrame(b *testing.B) {
	seen(b, false, canbus.New(0x7DF, 2, 0x01, 0x0C, 0, 0, 0, 0, 0), canbus.New(0x7E8, 4, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0))
}

// Periodic frames make no garbage.
func TestPeriodicFramesAllocateNothing(t *testing.T) {
	s := rules.New(rules.Options{Pairs: pairs})
	f := canbus.New(0x0F0, 0, 0, 9, 0xD5, 0, 0, 0, 0)
	require.Zero(t, testing.AllocsPerRun(100, func() { s.See(1, &f, true, false) }))
}
