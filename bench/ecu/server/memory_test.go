package server

import (
	"testing"
	"time"

	"sawhorse/bench/ecu/dtc"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestTestAllocatesNothing(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	ref, _ := r.mem.Ref("P0102")
	now := r.now
	n := testing.AllocsPerRun(1000, func() {
		now += 5 * time.Millisecond
		r.mem.Test(ref, now, true)
	})
	assert.Zero(t, n, "nor does the failure itself, snapshots included")
	require.NotEmpty(t, r.mem.Confirmed(nil))
}

func BenchmarkMemoryTest(b *testing.B) {
	u := loadUnit(b, "ecu-engine.yaml")
	m := dtc.New(u)
	m.BeginCycle()
	b.ReportAllocs()
	var now time.Duration
	for i := range b.N {
		now += 5 * time.Millisecond
		m.Test(i%len(u.Codes), now, false)
	}
}
