package cel

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// What the built-in scenarios ask is told to people in words.
func TestConditionsInWords(t *testing.T) {
	r := newRig(t)
	for src, want := range map[string]string{
		`event.kind == "request" && event.service in [0x04, 0x14]`:                             "a request of service 04 or 14",
		`event.kind == "request" && !event.functional && event.service in [0x19, 0x22, 0x31]`:  "a request to one unit of service 19, 22 or 31",
		`event.kind == "response" && event.positive && event.rid == 0x0210 && event.sub == 1`:  "an answer that is positive for routine 0210 with sub-function 01",
		`event.kind == "response" && event.service == 0x27 && event.nrc in [0x35, 0x36]`:       "an answer of service 27 with refusal 35 or 36",
		`event.kind == "request" && event.service in [0x04, 0x14] && engine_rpm > 0.0`:         "a request of service 04 or 14 while engine_rpm above 0 rpm",
		`task == "learn" && event.kind == "request"`:                                           "a request while task learn runs",
		`event.kind == "task-end" && event.task == "learn" && event.status == "ok"`:            "the end of a task (learn) with status ok",
		`event.kind == "fault-on" && event.fault == "tool-cable-pulled"`:                       "a fault that comes (tool-cable-pulled)",
		`event.kind == "frame" && event.id == 0x0F0`:                                           "a frame on 0F0",
		`engine_rpm > 560 && engine_rpm < 650`:                                                 "engine_rpm above 560 rpm and engine_rpm below 650 rpm",
		`running || clutch_pct > 2.5`:                                                          "running, or clutch_pct above 2.5 %",
		`!running && key == "on"`:                                                              "not running and the key is on",
		`t > 400.0`:                                                                            "after 400 s",
		`size(ended) == 8 && "x" in faults`:                                                    "the number of tasks that have ended equal to 8 and x is on",
		`event.kind == "response" && event.positive && event.sub == 1 && (running || x > 1.0)`: "an answer that is positive with sub-function 01 while (running, or x above 1)",
		// These stay as they were written.
		`x * 2.0 > y`: `x * 2.0 > y`,
		`event.kind == "response" && event.data.at(2) == 3`: `event.kind == "response" && event.data.at(2) == 3`,
		`event.kind == "response" && event.pid > 2`:         `event.kind == "response" && event.pid > 2`,
		`event.service == 3`:                                `event.service == 3`,
	} {
		require.Equal(t, want, r.cond(src).Plain(), src)
	}
}
