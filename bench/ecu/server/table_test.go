package server

import (
	"fmt"
	"slices"
	"testing"

	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
)

// The table says of each session whether a service is there, and the server agrees:
// 7F and 7E mean that it is not, 33 that a lock is in the way.
func TestTheTableOfServicesIsWhatTheServerDoes(t *testing.T) {
	eachUnit(t, func(t *testing.T, spec *spec.Unit) {
		rows := Table(spec)
		assert.NotEmpty(t, rows)
		for _, session := range spec.Sessions {
			for _, row := range rows {
				if uds.Service(row.Service).IsOBD() || row.Service == 0x11 {
					continue // emission services know no sessions, a reset ends them
				}
				for _, sub := range append(slices.Clone(row.Subs), 0)[:max(len(row.Subs), 1)] {
					r := newRig(t, spec)
					r.toSession([]string{session.Session}, 0)
					req := fmt.Sprintf("%02X", row.Service)
					if row.Subs != nil {
						req += fmt.Sprintf(" %02X", sub)
					}
					got := r.ask(req)
					there := len(row.In) == 0 || slices.Contains(row.In, session.Session)
					no7F, no7E := "7F "+req[:2]+" 7F", "7F "+req[:2]+" 7E"
					assert.Equal(t, there, got != no7F && got != no7E, "%s in %s: %s", req, session.Session, got)
					assert.Equal(t, there && row.Security != 0, got == "7F "+req[:2]+" 33", "%s in %s: %s", req, session.Session, got)
					assert.NotEqual(t, "7F "+req[:2]+" 11", got)
					assert.NotEqual(t, "7F "+req[:2]+" 12", got)
				}
			}
		}
	})
}

// Every PID of SAE J1979 for a petrol car, 01 to 63 without those of newer hybrid and
// diesel rows, is answered or has a reason why not.
func TestEveryPIDIsThereOrSaysWhyNot(t *testing.T) {
	spec := loadUnit(t, "ecu-engine.yaml")
	has := map[uint8]bool{}
	for _, p := range spec.OBD.PIDs {
		has[p.PID] = true
	}
	for _, a := range spec.OBD.Absent {
		for _, pid := range a.PIDs {
			has[pid] = true
		}
	}
	others := []uint8{0x20, 0x40, 0x60, 0x53, 0x54, 0x55, 0x56, 0x57, 0x58, 0x5B, 0x5D, 0x5F}
	for pid := uint8(1); pid <= 0x63; pid++ {
		assert.Equal(t, !slices.Contains(others, pid), has[pid], "%02X", pid)
	}
}
