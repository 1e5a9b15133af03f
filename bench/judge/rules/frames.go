package rules

import "sawhorse/canbus"

// The rules about single frames.
var frameRules = []Rule{
	{
		ID: "frame-length", Group: "frames", Severity: Must, Alone: true,
		Says:   "Every frame of emission diagnostics has eight data bytes",
		Source: "ISO 15765-4:2011 clause 10 (data link layer: DLC 8)",
		Why:    "A control unit ignores a shorter frame, so the tool waits for an answer that never comes.",
		begin:  stateless(frameLength),
	},
	{
		ID: "data-frames-only", Group: "frames", Severity: Must, Alone: true,
		Says:   "Diagnostic identifiers carry classical data frames, no remote frames",
		Source: "ISO 15765-4:2011 clause 10 (data link layer)",
		Why:    "A remote frame asks for something that no diagnostic server has and can start an error storm on old controllers.",
		begin:  stateless(dataFramesOnly),
	},
	{
		ID: "own-identifiers", Group: "frames", Severity: Must,
		Says:   "The tool sends on the identifiers of test equipment only",
		Source: "ISO 15765-4:2011 clause 8 (identifiers of the external test equipment)",
		Why:    "A frame on an identifier of the car's is taken for a control unit's own and can move something.",
		begin:  stateless(ownIdentifiers),
	},
	{
		ID: "functional-single-frame", Group: "frames", Severity: Must, Alone: true,
		Says:   "A request to all control units fits one frame",
		Source: "ISO 15765-2:2016 clause 9.4 (functional addressing carries single frames only)",
		Why:    "Several control units would answer with flow control at once, so they ignore it instead.",
		begin:  stateless(functionalSingle),
	},
	{
		ID: "obd-single-frame", Group: "frames", Severity: Must, Alone: true,
		Says:   "A request of emission diagnostics fits one frame",
		Source: "ISO 15765-4:2011 clause 9 (requests are single frames)",
		Why:    "A control unit of emission diagnostics sends no flow control for requests, so the rest never goes out.",
		begin:  stateless(obdSingle),
	},
	{
		ID: "known-frame-type", Group: "frames", Severity: Must, Alone: true,
		Says:   "The first byte of every frame is one of the four frame types, with a length that is allowed",
		Source: "ISO 15765-2:2016 clause 9.6 (protocol control information)",
		Why:    "Frames of a reserved type or an impossible length are ignored.",
		begin:  stateless(knownFrameType),
	},
}

func frameLength(e *event, _ *book, t *tally) {
	if e.kind != toolFrame || e.touched || e.unit != nil && e.unit.beyond {
		return
	}
	if e.frame.Len != 8 {
		t.breach(e, nil, "%d data bytes, wanted are 8", e.frame.Len)
		return
	}
	t.keep()
}

func dataFramesOnly(e *event, _ *book, t *tally) {
	if e.kind != toolFrame || e.touched {
		return
	}
	if e.frame.Has(canbus.Remote) {
		t.breach(e, nil, "a remote frame on %v", e.key)
		return
	}
	t.keep()
}

func ownIdentifiers(e *event, _ *book, t *tally) {
	switch e.kind {
	case strayFrame:
		if e.touched {
			return
		}
		t.breach(e, nil, "a frame on %v, which is no identifier of test equipment", e.key)
	case toolFrame:
		t.keep()
	}
}

func functionalSingle(e *event, _ *book, t *tally) {
	if e.kind != toolFrame || !e.functional || e.touched {
		return
	}
	switch e.pci() {
	case 0:
		t.keep()
	case 1, 2:
		t.breach(e, nil, "a part of a segmented message on %v", e.key)
	}
}

func obdSingle(e *event, _ *book, t *tally) {
	switch {
	case e.kind == toolFrame && !e.touched && e.pci() == 1 && e.frame.Len >= 3 && e.frame.Data[2] >= 0x01 && e.frame.Data[2] <= 0x0A:
		t.breach(e, nil, "a segmented request of service %02X", e.frame.Data[2])
	case e.obd() && e.first == e.last:
		t.keep()
	}
}

func knownFrameType(e *event, _ *book, t *tally) {
	if e.kind != toolFrame || e.touched || e.frame.Has(canbus.Remote) {
		return
	}
	d, n := e.frame.Data, int(e.frame.Len)
	switch p := e.pci(); {
	case p < 0:
		t.breach(e, nil, "a frame without data")
	case p > 3:
		t.breach(e, nil, "frame type %X is reserved", p)
	case p == 0 && n <= 8 && (d[0] == 0 || int(d[0]) > n-1):
		t.breach(e, nil, "a single frame of length %d in %d bytes", d[0], n)
	case p == 1 && n < 8:
		t.breach(e, nil, "a first frame of %d bytes", n)
	case p == 1 && d[0] == 0x10 && d[1] > 0 && d[1] < 8:
		t.breach(e, nil, "a first frame that announces %d bytes, which fit a single frame", d[1])
	case p == 3 && n < 3:
		t.breach(e, nil, "a flow control of %d bytes", n)
	default:
		t.keep()
	}
}
