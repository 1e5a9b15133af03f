package rules

import (
	"bytes"

	"sawhorse/canbus/uds"
)

// The rules about up and downloads.
var transferRules = []Rule{
	{
		ID: "transfer-counter", Group: "transfer", Severity: Must,
		Says:   "The blocks of a transfer are numbered 01, 02 and so on, FF is followed by 00",
		Source: "ISO 14229-1:2013 clause 14.4 (TransferData, blockSequenceCounter)",
		Why:    "The control unit refuses a block out of turn, and the memory stays half written.",
		begin:  func() watcher { return transfers(transferCounter) },
	},
	{
		ID: "transfer-length", Group: "transfer", Severity: Must,
		Says:   "No block is longer than the control unit allows (maxNumberOfBlockLength)",
		Source: "ISO 14229-1:2013 clause 14.2 (RequestDownload, maxNumberOfBlockLength counts service and counter too)",
		Why:    "The control unit has no room for more.",
		begin:  func() watcher { return transfers(transferLength) },
	},
	{
		ID: "transfer-exit", Group: "transfer", Severity: Must,
		Says:   "A transfer is ended with RequestTransferExit",
		Source: "ISO 14229-1:2013 clause 14.5 (RequestTransferExit)",
		Why:    "The control unit waits for more and does not take what it has.",
		begin:  func() watcher { return transfers(transferExit) },
	},
	{
		ID: "transfer-requested", Group: "transfer", Severity: Must,
		Says:   "Data are transferred only after the control unit has agreed to a transfer",
		Source: "ISO 14229-1:2013 clause 14.4 (TransferData, NRC 24)",
		Why:    "Without an address the data have nowhere to go.",
		begin:  func() watcher { return transfers(transferRequested) },
	},
}

// transfer is one under way.
type transfer struct {
	mark
	most    int
	next    byte
	last    []byte // the block sent last
	sent    int
	refused bool // the control unit has refused a block
}

// transfers follows transfers, unit by unit; open is nil outside one.
func transfers(rule func(e *event, b *book, u *unit, open *transfer, t *tally)) watcher {
	all := map[*unit]*transfer{}
	return func(e *event, b *book, t *tally) {
		if e.kind == taskEnd || e.kind == finish || e.kind == powerOff {
			for _, u := range b.units {
				if all[u] != nil {
					rule(e, b, u, all[u], t)
				}
			}
			clear(all)
			return
		}
		u := e.unit
		if u == nil {
			return
		}
		o := all[u]
		rule(e, b, u, o, t)
		switch {
		case e.answers(uds.RequestDownload, uds.RequestUpload) && len(e.m.Data) > 1:
			n := int(e.m.Data[1] >> 4)
			o = &transfer{mark: e.mark(), next: 1}
			for _, x := range e.m.Data[2:min(len(e.m.Data), 2+n)] {
				o.most = o.most<<8 | int(x)
			}
			all[u] = o
		case o == nil:
		case e.asks(uds.TransferData) && len(e.m.Data) > 1:
			o.sent++
			o.last = bytes.Clone(e.m.Data)
			o.next = e.m.Data[1] + 1
		case e.refuses() && e.about(uds.TransferData) && !e.says(uds.BusyRepeatRequest):
			o.refused = true
		case e.asks(uds.RequestTransferExit, uds.RequestDownload, uds.RequestUpload, uds.DiagnosticSessionControl, uds.ECUReset):
			delete(all, u)
		}
	}
}

func transferCounter(e *event, _ *book, _ *unit, o *transfer, t *tally) {
	if o == nil || !e.asks(uds.TransferData) || len(e.m.Data) < 2 {
		return
	}
	again := bytes.Equal(o.last, e.m.Data) // the answer was lost
	if c := e.m.Data[1]; c != o.next && !again {
		t.breach(e, []mark{o.mark}, "block %02X, wanted is %02X", c, o.next)
		return
	}
	t.keep()
}

func transferLength(e *event, _ *book, _ *unit, o *transfer, t *tally) {
	if o == nil || !e.asks(uds.TransferData) || o.most == 0 {
		return
	}
	if n := len(e.m.Data); n > o.most {
		t.breach(e, []mark{o.mark}, "a message of %d bytes, allowed are %d", n, o.most)
		return
	}
	t.keep()
}

func transferExit(e *event, b *book, u *unit, o *transfer, t *tally) {
	switch {
	case o == nil || o.sent == 0 || o.refused:
	case e.asks(uds.RequestTransferExit):
		t.keep()
	case e.asks(uds.RequestDownload, uds.RequestUpload, uds.DiagnosticSessionControl) || e.over(b):
		t.breach(e, []mark{o.mark}, "%d blocks to %s, and the transfer is not ended", o.sent, u.name)
	}
}

func transferRequested(e *event, _ *book, u *unit, o *transfer, t *tally) {
	switch {
	case !e.asks(uds.TransferData):
	case o == nil:
		t.breach(e, nil, "data for %s, which has not agreed to a transfer", u.name)
	default:
		t.keep()
	}
}
