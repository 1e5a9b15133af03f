package rules

import (
	"time"

	"sawhorse/canbus/isotp"
)

// The rules about the flow control that the tool sends for answers of several frames.
var flowRules = []Rule{
	{
		ID: "flow-in-time", Group: "flow control", Severity: Must,
		Says:   "The tool sends flow control for the first frame of an answer before the control unit gives up",
		Source: "ISO 15765-2:2016 clause 9.8 (N_Bs 1000 ms); ISO 15765-4:2011 clause 9 (N_Bs 75 ms)",
		Why:    "Without it the answer ends after its first frame: a VIN or a list of codes is lost.",
		begin:  stateless(flowInTime),
	},
	{
		ID: "flow-to-sender", Group: "flow control", Severity: Must,
		Says:   "Flow control goes to the physical identifier of the control unit that sent the first frame",
		Source: "ISO 15765-4:2011 clause 9 (flow control is addressed physically)",
		Why:    "Sent to all or to another, it releases the wrong answer or none.",
		begin:  stateless(flowToSender),
	},
	{
		ID: "flow-not-unasked", Group: "flow control", Severity: Must,
		Says:   "No flow control is sent where no first frame waits for one",
		Source: "ISO 15765-2:2016 clause 9.6.5 (flow control answers a first frame or the end of a block)",
		Why:    "A tool that answers single frames so takes every answer for a long one.",
		begin:  stateless(flowUnasked),
	},
	{
		ID: "flow-all-at-once", Group: "flow control", Severity: Must,
		Says:   "In emission diagnostics flow control asks for all frames at once: continue, block size 0, separation 0",
		Source: "ISO 15765-4:2011 clause 9 (parameters of the flow control of test equipment)",
		Why:    "Control units need to support nothing else, and a wait frame breaks their timing.",
		begin:  stateless(flowAllAtOnce),
	},
	{
		ID: "flow-form", Group: "flow control", Severity: Must, Alone: true,
		Says:   "Flow control has a status and a separation time that are not reserved",
		Source: "ISO 15765-2:2016 clause 9.6.5 (tables of FS and STmin)",
		Why:    "A reserved status aborts the answer, and a reserved time makes it as slow as 127 ms a frame.",
		begin:  stateless(flowForm),
	},
	{
		ID: "flow-steady", Group: "flow control", Severity: Should,
		Says:   "Block size and separation time stay the same within one answer",
		Source: "ISO 15765-2:2016 clause 9.6.5 (a receiver that is test equipment keeps them constant)",
		Why:    "Many control units heed the first flow control only.",
		begin:  flowSteady,
	},
}

func flowInTime(e *event, b *book, t *tally) {
	if e.kind == taskEnd && !e.done() || e.kind == powerOff {
		return
	}
	for _, u := range b.units {
		in := u.in
		if in == nil || in.flowed || in.late {
			continue
		}
		limit := u.flowLimit() + b.opt.Lag
		waited := e.at - in.at
		flow := e.kind == toolFlow && e.unit == u
		switch {
		case waited > limit:
			in.late = true
			t.time(limit - waited)
			t.breach(e, []mark{in.mark}, "no flow control within %v of the first frame of %s", limit, u.name)
		case flow:
			t.time(limit - waited)
			t.keep()
		}
	}
}

// waits reports a unit whose first frame or block waits for flow control.
func (u *unit) waits(at time.Duration) bool {
	return u.in != nil && at-u.in.at <= 2*nBs
}

func flowToSender(e *event, b *book, t *tally) {
	if e.kind != toolFrame || e.pci() != 3 || e.touched {
		return
	}
	if e.unit != nil && e.unit.waits(e.at) {
		t.keep()
		return
	}
	for _, u := range b.units {
		if u.waits(e.at) && !u.in.flowed {
			t.breach(e, []mark{u.in.mark}, "flow control on %v, wanted is %v", e.key, u.request)
			return
		}
	}
	if e.functional {
		t.breach(e, nil, "flow control on %v, which addresses all", e.key)
	}
}

func flowUnasked(e *event, b *book, t *tally) {
	if e.kind != toolFlow || e.unit == nil || e.touched {
		return
	}
	if e.unit.waits(e.at) {
		t.keep()
		return
	}
	for _, u := range b.units {
		if u.waits(e.at) && !u.in.flowed {
			return // sent to the wrong one: another rule
		}
	}
	t.breach(e, nil, "flow control to %s, which has begun no segmented answer", e.unit.name)
}

func flowAllAtOnce(e *event, _ *book, t *tally) {
	if e.kind != toolFlow || e.unit == nil || e.unit.in == nil || !e.unit.in.emission() || e.touched {
		return
	}
	f := e.flow
	if f.Status != isotp.ContinueToSend || f.BlockSize != 0 || f.STmin != 0 {
		t.breach(e, []mark{e.unit.in.mark}, "flow control with status %d, block size %d and separation %02X", f.Status, f.BlockSize, f.STmin)
		return
	}
	t.keep()
}

func flowForm(e *event, _ *book, t *tally) {
	if e.kind != toolFlow || e.touched {
		return
	}
	f := e.flow
	switch {
	case f.Status > isotp.Overflow:
		t.breach(e, nil, "status %X is reserved", byte(f.Status))
	case f.STmin >= 0x80 && f.STmin <= 0xF0 || f.STmin >= 0xFA:
		t.breach(e, nil, "separation time %02X is reserved", f.STmin)
	default:
		t.keep()
	}
}

func flowSteady() watcher {
	type seen struct {
		mark
		in   *inbound
		flow isotp.Flow
	}
	last := map[*unit]seen{}
	return func(e *event, _ *book, t *tally) {
		if e.kind != toolFlow || e.unit == nil || e.unit.in == nil || e.touched || e.flow.Status != isotp.ContinueToSend {
			return
		}
		s, ok := last[e.unit]
		last[e.unit] = seen{e.mark(), e.unit.in, e.flow}
		if !ok || s.in != e.unit.in {
			return
		}
		if s.flow != e.flow {
			t.breach(e, []mark{s.mark}, "block size %d and separation %02X after %d and %02X", e.flow.BlockSize, e.flow.STmin, s.flow.BlockSize, s.flow.STmin)
			return
		}
		t.keep()
	}
}
