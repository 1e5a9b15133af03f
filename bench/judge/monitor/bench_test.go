package monitor

import (
	"testing"
	"time"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
	"sawhorse/bench/judge/report"
	"sawhorse/bench/signal"
)

// benchJudge has the expectations of a usual scenario.
func benchJudge(b *testing.B) (*Judge, *signal.Table) {
	table := new(signal.Table)
	table.Define("engine_rpm", "rev/min", "")
	table.Define("battery_v", "V", "")
	table.Define("engine_running", "bool", "")
	lang, err := cel.NewLanguage(table.Infos())
	if err != nil {
		b.Fatal(err)
	}
	cond := func(src string) *cel.Condition {
		c, errs := lang.Compile(src)
		if len(errs) > 0 {
			b.Fatal(errs[0])
		}
		return c
	}
	clear := cond(`event.kind == "request" && event.service in [0x04, 0x14]`)
	wants := []Want{
		Never{cond("engine_rpm > 20000")}, Always{cond("battery_v > -1.0")}, Never{clear},
		Eventually{Hold: cond("engine_running"), For: time.Second},
		Before{First: cond(`event.kind == "request" && event.service == 0x03`), Then: clear},
		After{Event: cond(`event.kind == "fault-off"`), Then: cond(`event.kind == "response"`), Within: time.Second},
		Count{Of: cond(`event.kind == "request"`), AtMost: 1 << 40, In: time.Second},
		Answered{Request: cond("event.functional == false"), Within: time.Second},
		Finished{Task: "health-check", Statuses: []string{judge.StatusOK}},
		Reported{Task: "health-check", Checks: []report.Check{{Field: "vin", Car: true}}},
	}
	list := make([]Expectation, len(wants))
	for i := range wants {
		list[i].Want = wants[i]
	}
	return New(list, Options{Truth: table}), table
}

// A sample every 20 ms: what ten expectations cost.
func BenchmarkSample(b *testing.B) {
	j, table := benchJudge(b)
	now := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		now += 20 * time.Millisecond
		table.Set(0, float64(now%1000))
		j.Sample(now)
	}
}

// A request and its response.
func BenchmarkExchange(b *testing.B) {
	j, _ := benchJudge(b)
	req, res := judge.Message(judge.Request, 0, []byte{0x22, 0xF1, 0x90}), judge.Message(judge.Response, 0, []byte{0x62, 0xF1, 0x90, 1, 2, 3})
	now := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		now += 20 * time.Millisecond
		req.Time, res.Time = now, now+time.Millisecond
		j.Observe(&req)
		j.Observe(&res)
	}
}

// A frame that no expectation asks for.
func BenchmarkFrame(b *testing.B) {
	j, _ := benchJudge(b)
	o := judge.Saw(judge.Frame, 0)
	b.ReportAllocs()
	for b.Loop() {
		o.Time += 200 * time.Microsecond
		j.Observe(&o)
	}
}
