package tester

import (
	"time"

	"sawhorse/canbus"
	"sawhorse/canbus/isotp"
)

const ages = 24 * time.Hour

var timingDefects = []Defect{
	{ID: "pending-ignored", Group: "timing", Says: "Does not wait longer after \"answer pending\" (78), but takes it for no answer.", install: func(t *Tester) {
		t.wrapHearing(func(_ *exchange, _ *peer, m []byte, pass func([]byte)) {
			if !pendingAnswer(m) {
				pass(m)
			}
		})
	}},
	{ID: "answer-time-too-short", Group: "timing", Says: "Waits 8 ms for an answer where P2 is 50 ms.", install: func(t *Tester) {
		t.l.pace.p2, t.l.pace.margin = 8*time.Millisecond, 0
	}},
	{ID: "busy-without-pause", Group: "timing", Says: "Repeats a request at once to a control unit that was busy (21), until its tries are used up.", install: func(t *Tester) {
		t.l.pace.busyPause = 0
	}},
	{ID: "session-unattended", Group: "timing", Says: "Lets more than S3 pass between two messages while a session is open.", install: func(t *Tester) {
		t.l.pace.aliveGap = 9 * time.Second
		t.wrapAsking(func(a asked) {
			if !a.begins(0x31, 0x03) {
				a.pass()
				return
			}
			t.pause(7*time.Second, a.pass)
		})
	}},
	{ID: "goes-on-after-first-answer", Group: "timing", Says: "Sends the next request as soon as one control unit has answered, while others still do.", install: func(t *Tester) {
		t.wrapHearing(func(e *exchange, p *peer, m []byte, pass func([]byte)) {
			pass(m)
			if e.l.ex == e && e.q.to == nil && p.got != nil && e.state == stateWaiting {
				e.end(false)
			}
		})
	}},
}

// Protocol control information of ISO 15765-2: the upper half of the first byte.
const (
	partSingle      = 0
	partFirst       = 1
	partConsecutive = 2
	partFlow        = 3
)

func part(f *canbus.Frame) byte { return f.Data[0] >> 4 }

var segmentDefects = []Defect{
	{ID: "flow-control-to-everybody", Group: "segmentation", Says: "Sends flow control to the functional identifier instead of the one control unit.", install: func(t *Tester) {
		t.seams.leaving = func(f *canbus.Frame) bool {
			if part(f) == partFlow && !f.Has(canbus.Extended) {
				f.ID = functional11
			}
			return true
		}
	}},
	{ID: "flow-control-late", Group: "segmentation", Says: "Sends flow control 1.2 s after the first frame.", install: func(t *Tester) {
		t.seams.transport = func(c *isotp.Config) { c.Timing.Br = 1200 * time.Millisecond }
	}},
	{ID: "flow-control-never", Group: "segmentation", Says: "Sends no flow control, as if every answer fitted one frame.", install: func(t *Tester) {
		t.seams.leaving = func(f *canbus.Frame) bool { return part(f) != partFlow }
	}},
	{ID: "separation-time-reserved", Group: "segmentation", Says: "Asks for a separation time of a reserved value (90) in its flow control, which means 127 ms.", install: func(t *Tester) {
		t.seams.transport = func(c *isotp.Config) { c.STmin = 0x90 }
	}},
	{ID: "flow-control-not-obeyed", Group: "segmentation", Says: "Sends its consecutive frames without regard to block size, separation time and \"wait\".", install: func(t *Tester) {
		t.seams.arriving = func(f *canbus.Frame) {
			if f.ID >= bodyRequest && part(f) == partFlow {
				f.Data[0], f.Data[1], f.Data[2] = 0x30, 0, 0
			}
		}
	}},
	{ID: "sequence-unchecked", Group: "segmentation", Says: "Does not look at the sequence numbers of consecutive frames.", install: func(t *Tester) {
		next := map[canbus.Key]byte{}
		t.seams.arriving = func(f *canbus.Frame) { renumber(next, f) }
	}},
	{ID: "padding-taken-for-codes", Group: "segmentation", Says: "Takes the padding behind the trouble codes for codes, as it reads whole frames.", install: func(t *Tester) {
		t.seams.arriving = wholeFrames
		t.seams.obdCodes = func(d []byte) ([]Code, error) {
			codes := []Code{}
			for ; len(d) >= 3; d = d[2:] {
				codes = append(codes, Code{Code: codeText(d[1], d[2])})
			}
			return codes, nil
		}
	}},
	{ID: "long-answer-cut", Group: "segmentation", Says: "Takes a long answer for whole after its first consecutive frame.", install: func(t *Tester) {
		t.seams.arriving = func(f *canbus.Frame) {
			if fromUnit(f) && part(f) == partFirst && (f.Data[0]&0xF != 0 || f.Data[1] > 13) {
				f.Data[0], f.Data[1] = 0x10, 13
			}
		}
	}},
	{ID: "frames-unpadded", Group: "segmentation", Says: "Sends requests in frames as short as their message, where emission diagnostics want 8 bytes.", install: func(t *Tester) {
		t.seams.leaving = func(f *canbus.Frame) bool {
			if part(f) == partSingle {
				f.Len = min(f.Len, f.Data[0]+1)
				clear(f.Data[f.Len:])
			}
			return true
		}
	}},
}

// fromUnit reports a frame with the identifier of an answer of emission OBD.
func fromUnit(f *canbus.Frame) bool { return f.ID >= response11 && f.ID < response11+maxOBD }

// renumber gives a consecutive frame the sequence number that is expected.
func renumber(next map[canbus.Key]byte, f *canbus.Frame) {
	if f.Len == 0 || !fromUnit(f) {
		return
	}
	switch part(f) {
	case partFirst:
		next[f.Key()] = 1
	case partConsecutive:
		f.Data[0] = partConsecutive<<4 | next[f.Key()]&0xF
		next[f.Key()]++
	}
}

// wholeFrames has answers with codes fill their frames.
func wholeFrames(f *canbus.Frame) {
	codes := func(sid byte) bool { return sid == 0x43 || sid == 0x47 || sid == 0x4A }
	switch {
	case !fromUnit(f):
	case part(f) == partSingle && codes(f.Data[1]):
		f.Data[0] = maxSingle
	case part(f) == partFirst && f.Data[0] == 0x10 && codes(f.Data[2]):
		f.Data[1] += (7 - (f.Data[1]-6)%7) % 7
	}
}
