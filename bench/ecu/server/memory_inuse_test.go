package server

import (
	"encoding/binary"
	"slices"
	"testing"
	"time"

	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A monitor shows as complete when its fault is confirmed, though another test of it
// never came to run (13 CCR 1968.2 (g)(4.1), from memory).
func TestAConfirmedFaultCompletesItsMonitor(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	r.mem.Clear(uds.EmissionGroup)
	r.plant.WarmIdle()
	r.mem.Started()
	r.wait(12 * time.Second)
	r.fail("P0455")
	complete, _ := r.mem.Ready("evap")
	assert.False(t, complete, "pending: the small leak was not looked for")
	r.mem.EndCycle()
	r.mem.BeginCycle()
	r.mem.Started()
	r.wait(12 * time.Second)
	r.fail("P0455")
	require.Contains(t, r.mem.Confirmed(nil), uds.DTC(0x0455))
	complete, _ = r.mem.Ready("evap")
	assert.True(t, complete)
}

// A car with a past has counters of it: 604 is 025C, 571 is 023B.
func TestInUseCountersOfACarWithAPast(t *testing.T) {
	r := newRig(t, loadUnit(t, "ecu-engine.yaml"))
	assert.Equal(t, "49 08 10 02 5C 05 80 02 3B 02 5C", r.call("09 08")[:32])
	eachUnit(t, func(t *testing.T, u *spec.Unit) {
		h := u.Memory.History
		if h == nil || h.Conditions == 0 {
			return
		}
		var counters []byte
		for _, x := range dtc.States() {
			if x.Name == "in_use_counters" {
				counters = x.Append(dtc.New(u), nil)
			}
		}
		for i, name := range spec.Ratios {
			if slices.ContainsFunc(u.Codes, func(c spec.Code) bool { return c.Ratio == name }) {
				pair := counters[4+4*i:]
				completed, conditions := binary.BigEndian.Uint16(pair), binary.BigEndian.Uint16(pair[2:])
				assert.Greater(t, float64(completed)/float64(conditions), 0.336, "the law's least ratio")
			}
		}
	})
}
