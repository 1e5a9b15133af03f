package tester

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
)

// frameTime is how long a frame takes on the test wire: about 125 bits at
// 500 kbit/s.
const frameTime = 250 * time.Microsecond

// answer is one message of a scripted control unit, some time after the request.
type answer struct {
	after time.Duration
	data  []byte
}

// fakeECU answers requests by a script. Its transport is an endpoint of its
// own, so multi-frame answers need the tester's flow control.
type fakeECU struct {
	name    string
	request canbus.Key
	ep      *isotp.Endpoint
	script  func(now time.Duration, functional bool, req []byte) []answer
	queue   []answer // absolute times
	dead    bool
}

// world is a wire between one tester and scripted control units.
type world struct {
	t       testing.TB
	tool    *Tester
	ecus    []*fakeECU
	now     time.Duration
	busy    time.Duration
	wire    []wireFrame
	held    []canbus.Frame // sent while the cable was out
	cut     func(now time.Duration) bool
	trace   []string
	lines   []string
	raw     []answerFrame
	frameFn func(f *canbus.Frame) []canbus.Frame // rewrites what the ECUs send
}

type wireFrame struct {
	at     time.Duration
	f      canbus.Frame
	sender *fakeECU // nil: the tool
}

type answerFrame struct {
	at time.Duration
	f  canbus.Frame
}

func newWorld(t testing.TB, cfg Config) *world {
	t.Helper()
	tool, err := New(cfg)
	require.NoError(t, err)
	return &world{t: t, tool: tool}
}

func standard(id canbus.ID) canbus.Key { return canbus.KeyOf(id, false) }

// add puts a control unit on the wire.
func (w *world) add(name string, req, resp canbus.Key, obd bool, script func(time.Duration, bool, []byte) []answer) *fakeECU {
	cfg := isotp.Enhanced(isotp.Normal(resp, req))
	if obd {
		cfg = isotp.Emission(isotp.Normal(resp, req))
	}
	ep, err := isotp.New(cfg)
	require.NoError(w.t, err)
	e := &fakeECU{name: name, request: req, ep: ep, script: script}
	w.ecus = append(w.ecus, e)
	return e
}

// scripted answers by a table of hex strings: request to answers, each
// optionally with a delay in front ("+40ms 41 0C 09 70"). The default delay is 5 ms.
func scripted(table map[string][]string) func(time.Duration, bool, []byte) []answer {
	return func(_ time.Duration, _ bool, req []byte) []answer {
		var as []answer
		for _, s := range table[fmt.Sprintf("% X", req)] {
			as = append(as, parseAnswer(s))
		}
		return as
	}
}

func parseAnswer(s string) answer {
	a := answer{after: 5 * time.Millisecond}
	if strings.HasPrefix(s, "+") {
		d, rest, _ := strings.Cut(s[1:], " ")
		v, err := time.ParseDuration(d)
		if err != nil {
			panic(err)
		}
		a.after, s = v, rest
	}
	a.data = unhex(s)
	return a
}

func unhex(s string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		panic(err)
	}
	return b
}

func (w *world) isCut() bool { return w.cut != nil && w.cut(w.now) }

// push puts a frame on the wire behind what is there.
func (w *world) push(f canbus.Frame, sender *fakeECU) {
	at := max(w.now, w.busy) + frameTime
	w.busy = at
	w.wire = append(w.wire, wireFrame{at, f, sender})
}

func (w *world) collect() {
	var f canbus.Frame
	for w.tool.NextFrame(&f) {
		if w.isCut() {
			w.held = append(w.held, f)
			continue
		}
		w.push(f, nil)
	}
	if !w.isCut() {
		for _, h := range w.held {
			w.push(h, nil)
		}
		w.held = nil
	}
	for _, e := range w.ecus {
		for e.ep.NextFrame(&f) {
			fs := []canbus.Frame{f}
			if w.frameFn != nil {
				fs = w.frameFn(&f)
			}
			for _, g := range fs {
				w.push(g, e)
			}
			if len(fs) == 0 {
				e.ep.Sent(w.now)
			}
		}
	}
	for {
		s, ok := w.tool.NextLine()
		if !ok {
			return
		}
		w.lines = append(w.lines, s)
	}
}

func (w *world) next() (time.Duration, bool) {
	at, ok := w.tool.Deadline()
	earlier := func(t time.Duration) {
		if !ok || t < at {
			at, ok = t, true
		}
	}
	for _, x := range w.wire {
		earlier(x.at)
	}
	if len(w.held) > 0 {
		earlier(w.now + 10*time.Millisecond) // look whether the cable is back
	}
	for _, r := range w.raw {
		earlier(r.at)
	}
	for _, e := range w.ecus {
		if d, set := e.ep.Deadline(); set {
			earlier(d)
		}
		for _, a := range e.queue {
			earlier(a.after)
		}
	}
	return at, ok
}

// run lets the world go on until the tool is done; it fails the test when that
// takes longer than the bound, in virtual time or in events.
func (w *world) run(bound time.Duration) *Document {
	w.t.Helper()
	for n := 0; ; n++ {
		w.collect()
		if _, ok := w.tool.Done(); ok {
			break
		}
		at, ok := w.next()
		require.True(w.t, ok, "nothing will ever happen again, but the tool is not done")
		require.LessOrEqual(w.t, at, bound, "the tool is not done in time; lines: %q", w.lines)
		require.Less(w.t, n, 2_000_000, "too many events")
		w.now = max(w.now, at)
		w.step()
	}
	var d Document
	require.NoError(w.t, json.Unmarshal(w.tool.Output(), &d))
	return &d
}

func (w *world) step() {
	for len(w.wire) > 0 && w.wire[0].at <= w.now {
		x := w.wire[0]
		w.wire = w.wire[1:]
		w.deliver(x)
	}
	for i := 0; i < len(w.raw); i++ {
		if w.raw[i].at <= w.now {
			f := w.raw[i].f
			w.raw = append(w.raw[:i], w.raw[i+1:]...)
			i--
			w.tool.Receive(w.now, &f)
		}
	}
	for _, e := range w.ecus {
		e.ep.Tick(w.now)
		for i := 0; i < len(e.queue); i++ {
			if a := e.queue[i]; a.after <= w.now && e.ep.Send(w.now, a.data) == nil {
				e.queue = append(e.queue[:i], e.queue[i+1:]...)
				i--
			}
		}
	}
	if d, ok := w.tool.Deadline(); ok && d <= w.now {
		w.tool.Tick(w.now)
	}
}

func (w *world) deliver(x wireFrame) {
	x.f.Time = w.now
	w.trace = append(w.trace, fmt.Sprintf("%v %s", w.now, x.f.String()))
	if x.sender != nil {
		x.sender.ep.Sent(w.now)
		if !w.isCut() {
			w.tool.Receive(w.now, &x.f)
		}
		return
	}
	w.tool.Sent(w.now, &x.f)
	for _, e := range w.ecus {
		if !e.dead {
			e.hear(w.now, &x.f)
		}
	}
}

func (e *fakeECU) hear(now time.Duration, f *canbus.Frame) {
	functional := f.Key() == standard(0x7DF) || f.Key() == canbus.KeyOf(0x18DB33F1, true)
	var req []byte
	if functional && f.Key().Extended() == e.request.Extended() {
		req = f.Data[1 : 1+f.Data[0]]
	} else if e.ep.Receive(now, f) {
		var ev isotp.Event
		for e.ep.NextEvent(&ev) {
			if ev.Kind == isotp.Received {
				req = append([]byte(nil), ev.Payload...)
			}
		}
	}
	if req == nil {
		return
	}
	for _, a := range e.script(now, functional, req) {
		e.queue = append(e.queue, answer{now + a.after, a.data})
	}
}

// sentBy counts the frames of the trace that carry the text.
func (w *world) count(text string) int {
	n := 0
	for _, s := range w.trace {
		if strings.Contains(s, text) {
			n++
		}
	}
	return n
}

// first is the time of the first trace line with the text.
func (w *world) first(text string) time.Duration {
	for _, s := range w.trace {
		if strings.Contains(s, text) {
			d, _, _ := strings.Cut(s, " ")
			v, err := time.ParseDuration(d)
			require.NoError(w.t, err)
			return v
		}
	}
	require.Fail(w.t, "not in the trace", text)
	return 0
}
