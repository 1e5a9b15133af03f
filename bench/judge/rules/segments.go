package rules

import (
	"time"

	"sawhorse/canbus/isotp"
)

// The rules about requests of several frames.
var segmentRules = []Rule{
	{
		ID: "segment-numbers", Group: "segmentation", Severity: Must,
		Says:   "The frames of a segmented request are numbered 1 to F, then 0, without a gap",
		Source: "ISO 15765-2:2016 clause 9.6.4 (sequence number)",
		Why:    "The control unit drops the whole message at the first wrong number.",
		begin:  stateless(segmentNumbers),
	},
	{
		ID: "segment-whole", Group: "segmentation", Severity: Must,
		Says:   "A segmented request is sent to its end, without another message to the same unit in it",
		Source: "ISO 15765-2:2016 clause 9.8.3 (unexpected frames), clause 9.7 (N_Cr)",
		Why:    "The control unit throws away what it has and takes the newcomer, or waits in vain.",
		begin:  stateless(segmentWhole),
	},
	{
		ID: "segment-waits-for-flow", Group: "segmentation", Severity: Must,
		Says:   "No consecutive frame goes out before the control unit has given leave",
		Source: "ISO 15765-2:2016 clause 9.6.5 (flow control)",
		Why:    "The control unit has no room for it yet, and the message is lost.",
		begin:  func() watcher { return outgoing(ruleLeave) },
	},
	{
		ID: "segment-block", Group: "segmentation", Severity: Must,
		Says:   "The tool stops after as many frames as the block size allows",
		Source: "ISO 15765-2:2016 clause 9.6.5.3 (block size)",
		Why:    "The control unit's buffer holds a block and no more.",
		begin:  func() watcher { return outgoing(ruleBlock) },
	},
	{
		ID: "segment-separation", Group: "segmentation", Severity: Must,
		Says:   "Consecutive frames are at least as far apart as the control unit asks",
		Source: "ISO 15765-2:2016 clause 9.6.5.4 (STmin)",
		Why:    "A slow control unit loses frames that come faster.",
		begin:  func() watcher { return outgoing(ruleGap) },
	},
	{
		ID: "segment-wait", Group: "segmentation", Severity: Must,
		Says:   "After a flow control that says wait, the tool waits for the next",
		Source: "ISO 15765-2:2016 clause 9.6.5.2 (flow status WAIT)",
		Why:    "The control unit is busy, say with its flash memory, and does not listen.",
		begin:  func() watcher { return outgoing(ruleWait) },
	},
	{
		ID: "segment-overflow", Group: "segmentation", Severity: Must,
		Says:   "After a flow control that says overflow, the tool sends no more of the message",
		Source: "ISO 15765-2:2016 clause 9.6.5.2 (flow status OVFLW)",
		Why:    "The message is too long for the control unit. Going on only fills the bus.",
		begin:  segmentOverflow,
	},
}

func segmentNumbers(e *event, _ *book, t *tally) {
	switch {
	case e.kind == toolBroken && e.result == isotp.WrongSN && !e.touched:
		t.breach(e, nil, "a wrong sequence number in a message of %d bytes", e.length)
	case e.kind == request && e.last > e.first:
		t.keep()
	}
}

func segmentWhole(e *event, _ *book, t *tally) {
	switch {
	case e.kind == toolBroken && e.result == isotp.UnexpectedPDU:
		t.breach(e, nil, "another message begins before the %d bytes are sent", e.length)
	case e.kind == toolBroken && e.result == isotp.TimeoutCr:
		t.breach(e, nil, "%d bytes were announced, and the rest did not follow in time", e.length)
	case e.kind == request && e.last > e.first:
		t.keep()
	}
}

// outbound is a segmented request under way.
type outbound struct {
	mark
	status isotp.FlowStatus
	told   bool // a flow control has come
	by     mark // it
	gap    time.Duration
	block  int // frames left in it, or without bound below 0
	cf     mark
	hasCF  bool // a consecutive frame of this block is out
	waited bool // it was told to wait
}

// outgoing follows segmented requests and asks the rule at each consecutive frame.
func outgoing(rule func(e *event, o *outbound, t *tally)) watcher {
	open := map[*unit]*outbound{}
	return func(e *event, _ *book, t *tally) {
		switch {
		case e.kind == taskStart || e.kind == taskEnd:
			clear(open)
		case e.unit == nil:
		case e.kind == toolFrame && e.pci() == 1:
			open[e.unit] = &outbound{mark: e.mark()}
		case e.kind == carFlow && open[e.unit] != nil:
			o := open[e.unit]
			if e.flow.Status == isotp.ContinueToSend && o.told && o.status == isotp.ContinueToSend && o.block != 0 {
				return // in the middle of a block it is to be ignored
			}
			o.told, o.status, o.by = true, e.flow.Status, e.mark()
			o.waited = o.waited || o.status == isotp.Wait
			o.gap, o.block, o.hasCF = isotp.Gap(e.flow.STmin), int(e.flow.BlockSize), false
			if o.block == 0 {
				o.block = -1
			}
		case e.kind == toolFrame && e.pci() == 2 && open[e.unit] != nil:
			o := open[e.unit]
			rule(e, o, t)
			o.block = max(-1, o.block-1)
			o.cf, o.hasCF = e.mark(), true
		case (e.kind == request || e.kind == toolBroken) && open[e.unit] != nil && e.first == open[e.unit].first:
			delete(open, e.unit)
		}
	}
}

func ruleLeave(e *event, o *outbound, t *tally) {
	if !o.told {
		t.breach(e, []mark{o.mark}, "a consecutive frame without flow control")
		return
	}
	t.keep()
}

func ruleBlock(e *event, o *outbound, t *tally) {
	switch {
	case !o.told || o.status != isotp.ContinueToSend || o.block < 0:
	case o.block == 0:
		t.breach(e, []mark{o.by}, "a frame more than the block size allows")
	default:
		t.keep()
	}
}

func ruleGap(e *event, o *outbound, t *tally) {
	if !o.told || o.gap == 0 || !o.hasCF {
		return
	}
	// Both times are ends of frames, so what is asked for is the least that can be.
	since := e.at - o.cf.at
	t.time(since - o.gap)
	if since < o.gap {
		t.breach(e, []mark{o.by, o.cf}, "%v after the last frame, asked for are %v", since.Round(time.Microsecond), o.gap)
		return
	}
	t.keep()
}

func ruleWait(e *event, o *outbound, t *tally) {
	switch {
	case !o.waited:
	case o.status == isotp.Wait:
		t.breach(e, []mark{o.by}, "a consecutive frame while the control unit says wait")
	default:
		t.keep()
	}
}

func segmentOverflow() watcher {
	type refused struct {
		mark
		unit *unit
	}
	var open []refused
	return func(e *event, b *book, t *tally) {
		switch {
		case e.kind == carFlow && e.unit != nil && e.flow.Status == isotp.Overflow:
			open = append(open, refused{e.mark(), e.unit})
		case len(open) == 0:
		case e.kind == toolFrame && e.pci() == 2:
			for _, r := range open {
				if r.unit == e.unit {
					t.breach(e, []mark{r.mark}, "a consecutive frame after overflow")
				}
			}
		case e.kind == request || e.over(b):
			t.keep()
			open = open[:0]
		}
	}
}
