package scenarios_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/fault"
	"sawhorse/bench/judge"
	"sawhorse/bench/judge/rules"
	"sawhorse/scenarios"
)

// underFault is a scenario in which a fault is on while the tool does a task.
func underFault(t *testing.T, id, params, task string) *scenarios.Scenario {
	t.Helper()
	text := fmt.Sprintf(`scenario: under-fault
title: A fault of the bus
about: A fault is on while the tool works.
car: petrel-48
duration: 60s
faults:
  - {fault: %s, params: {%s}}
driver:
  - {at: 0s, key: on, parking_brake: true, gear: 0}
tasks:
  - {at: 8s, limit: 45s, %s}
expect:
  - id: powered
    says: The engine's key is on
    from: 7s
    eventually: {that: key == "on", within: 5s}
`, id, params, task)
	s, err := scenarios.Parse("under-fault.yaml", []byte(text), bench.Vocabulary())
	require.NoError(t, err, text)
	return s
}

// What the rules excuse because of a fault is no more than what the fault could cause. Of
// each fault of frames, answers and flow control: nothing is held against the correct
// tool; and what a fault of the units cannot cause is held against the wrong one.
func TestFaultsExcuseNoMoreThanTheyCause(t *testing.T) {
	const read, write = "task: health-check", "task: write-identity, args: {vin: car}"
	of := func(ids, more string) string { return strings.TrimSuffix("ids: \""+ids+"\", "+more, ", ") }
	engine := func(more string) string { return of("7E8", more) }
	for _, c := range []struct{ id, params, task, defect, rule string }{
		{"frames-lost", engine("every: 7"), read, "frames-unpadded", "frame-length"},
		{"frames-lost", `sender: tool, every: 9`, read, "frames-unpadded", "frame-length"},
		{"frames-late", engine("delay: 8"), read, "frames-unpadded", "frame-length"},
		{"frames-late", engine("delay: 8"), read, "separation-time-reserved", "flow-form"},
		{"frames-doubled", engine("every: 5"), read, "flow-control-to-everybody", "flow-to-sender"},
		{"frames-reordered", engine("every: 5"), read, "frames-unpadded", "frame-length"},
		{"bits-flipped", engine("every: 9, at: 3"), read, "flow-control-to-everybody", "flow-to-sender"},
		{"bytes-overwritten", engine("every: 9, at: 3"), read, "flow-control-to-everybody", "flow-to-sender"},
		{"frame-length-wrong", engine("every: 9"), read, "frames-unpadded", "frame-length"},
		{"frame-id-wrong", engine("every: 9"), read, "frames-unpadded", "frame-length"},
		{"values-frozen", engine("every: 9"), read, "frames-unpadded", "frame-length"},
		{"values-stale", engine("every: 9, delay: 50"), read, "frames-unpadded", "frame-length"},
		{"padding-wrong", engine(""), read, "flow-control-to-everybody", "flow-to-sender"},
		{"padding-missing", engine("every: 3"), read, "frames-unpadded", "frame-length"},
		{"bit-errors", engine("every: 5"), read, "flow-control-to-everybody", "flow-to-sender"},
		{"consecutive-frame-lost", engine("count: 1"), read, "flow-control-to-everybody", "flow-to-sender"},
		{"consecutive-frame-doubled", engine("count: 1"), read, "flow-control-to-everybody", "flow-to-sender"},
		{"sequence-number-wrong", engine("count: 1"), read, "flow-control-to-everybody", "flow-to-sender"},
		{"answer-missing", "ecu: engine, skip: 4, count: 1", read, "flow-control-to-everybody", "flow-to-sender"},
		{"answer-late", "ecu: engine, delay: 30", read, "flow-control-to-everybody", "flow-to-sender"},
		{"answer-pending", "ecu: engine, times: 2, delay: 40", read, "pending-ignored", "pending-patience"},
		{"answered-twice", "ecu: engine, delay: 20", read, "frames-unpadded", "frame-length"},
		{"flow-control-waits", "times: 2", write, "flow-control-not-obeyed", "segment-wait"},
		{"flow-control-odd", "", write, "flow-control-not-obeyed", "segment-separation"},
		{"flow-control-overflows", "", write, "flow-control-not-obeyed", "segment-overflow"},
	} {
		t.Run(c.id+" "+c.defect, func(t *testing.T) {
			_, err := fault.Find(c.id)
			require.NoError(t, err)
			sc := underFault(t, c.id, c.params, c.task)
			got := tryAll(t, []trial{{scenario: sc, seed: 1}, {scenario: sc, seed: 2}, {scenario: sc, seed: 1, defect: c.defect}})
			for _, o := range got[:2] {
				for _, v := range o.verdicts {
					if v.Group == judge.GroupRule {
						assert.NotEqual(t, judge.Fail, v.Outcome, "the correct tool: %s: %s", v.ID, v.Reason)
					}
				}
			}
			failed := []string{}
			for _, v := range got[2].verdicts {
				if v.Outcome == judge.Fail {
					failed = append(failed, v.ID)
				}
			}
			assert.Contains(t, failed, rules.Prefix+c.rule, "the wrong tool")
		})
	}
}
