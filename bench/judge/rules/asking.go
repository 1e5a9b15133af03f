package rules

import (
	"slices"
	"time"

	"sawhorse/canbus/uds"
)

// The rules about what is asked in emission diagnostics.
var askingRules = []Rule{
	{
		ID: "starts-with-0100", Group: "emission requests", Severity: Must,
		Says:   "The first request of emission diagnostics is service 01 PID 00 to all",
		Source: "ISO 15765-4:2011 clause 6 (initialisation sequence)",
		Why:    "Only its answers tell which identifiers and which control units the car has.",
		begin:  startsWith0100,
	},
	{
		ID: "eleven-bit-first", Group: "emission requests", Severity: Should,
		Says:   "Identifiers of 29 bit are tried only when nobody has answered on 11 bit",
		Source: "ISO 15765-4:2011 clause 6 (initialisation sequence)",
		Why:    "A car has one form of identifiers. The other only loads the bus.",
		begin:  elevenBitFirst,
	},
	{
		ID: "obd-to-all", Group: "emission requests", Severity: Should,
		Says:   "Requests of emission diagnostics go to all control units",
		Source: "ISO 15765-4:2011 clause 8 (functional request addressing)",
		Why:    "A tool that asks one control unit never hears of the codes in another.",
		begin:  stateless(obdToAll),
	},
	{
		ID: "masks-first", Group: "emission requests", Severity: Should,
		Says:   "What a control unit supports is asked before its items are",
		Source: "ISO 15031-5:2015 clause 7 (supported PIDs, MIDs, TIDs and InfoTypes)",
		Why:    "Without it silence can mean no support or no connection.",
		begin:  stateless(masksFirst),
	},
	{
		ID: "supported-items-only", Group: "emission requests", Severity: Must,
		Says:   "Only items that a control unit has announced are asked for",
		Source: "ISO 15031-5:2015 clause 7 (supported PIDs, MIDs, TIDs and InfoTypes)",
		Why:    "Nobody answers, so each such request costs a whole time-out.",
		begin:  stateless(supportedOnly),
	},
	{
		ID: "items-a-request", Group: "emission requests", Severity: Must,
		Says:   "A request has at most six PIDs of service 01, three of service 02, one InfoType of service 09",
		Source: "ISO 15031-5:2015 clause 7 (message formats of services 01, 02, 06 and 09)",
		Why:    "Control units ignore a request that is too long.",
		begin:  stateless(itemsARequest),
	},
	{
		ID: "masks-apart", Group: "emission requests", Severity: Should,
		Says:   "Requests for supported PIDs and for data are not mixed",
		Source: "ISO 15031-5:2015 clause 7.1 (service 01 request)",
		Why:    "Control units answer one kind and drop the other.",
		begin:  stateless(masksApart),
	},
	{
		ID: "masks-to-the-end", Group: "emission requests", Severity: Should,
		Says:   "A tool that asks which parameters there are beyond the first 32 goes on as far as they are announced",
		Source: "ISO 15031-5:2015 clause 7.1 (the last bit of each mask announces the next range)",
		Why:    "What lies beyond is taken for not there: a car that has it seems not to.",
		begin:  masksToTheEnd,
	},
	{
		ID: "no-hammering", Group: "emission requests", Severity: Should,
		Says:   "A request that nobody answers is not repeated more than ten times in two seconds",
		Source: "common practice",
		Why:    "The key may be off or the cable out. A bus full of questions helps nobody and keeps control units awake.",
		begin:  noHammering,
	},
}

func startsWith0100() watcher {
	begun := false
	return func(e *event, b *book, t *tally) {
		switch {
		case e.kind == taskStart && b.opt.Fresh:
			begun = false
		case !e.obd() || begun:
		default:
			begun = true
			if e.functional && e.about(uds.CurrentData) && len(e.m.Data) == 2 && e.m.PID == 0 {
				t.keep()
				return
			}
			t.breach(e, nil, "the first request is service %02X [% X]", e.m.Service, clip(e.m.Data))
		}
	}
}

func elevenBitFirst() watcher {
	var answered mark
	return func(e *event, b *book, t *tally) {
		switch {
		case e.kind == taskStart && b.opt.Fresh:
			answered = mark{}
		case e.kind == response && e.unit != nil && !e.unit.beyond && !e.key.Extended() && answered.first == 0:
			answered = e.mark()
		case e.obd() && e.key.Extended() && answered.first > 0:
			t.breach(e, []mark{answered}, "asked on 29 bit although the car answers on 11 bit")
		case e.obd() && !e.key.Extended() && answered.first > 0:
			t.keep()
		}
	}
}

func obdToAll(e *event, _ *book, t *tally) {
	switch {
	case !e.obd():
	case e.functional:
		t.keep()
	default:
		t.breach(e, nil, "service %02X is asked of %s alone", e.m.Service, e.unit.name)
	}
}

// items are the items that a request asks for: PIDs, MIDs, TIDs or InfoTypes.
func items(e *event) []byte {
	d := e.m.Data[1:]
	switch {
	case e.about(uds.CurrentData, uds.MonitorResults, uds.VehicleInformation):
		return d
	case e.about(uds.FreezeFrame):
		var list []byte
		for i := 0; i < len(d); i += 2 {
			list = append(list, d[i])
		}
		return list
	case e.about(uds.ControlOfSystem):
		return d[:min(1, len(d))]
	}
	return nil
}

// itemFreezeCode is the code that stored the freeze frame. Its answer tells whether
// there is a frame at all, so it may be asked before the masks of service 02.
const itemFreezeCode = 0x02

func free(e *event, item byte) bool {
	return item == 0 || e.about(uds.FreezeFrame) && item == itemFreezeCode
}

func masksToTheEnd() watcher {
	const ranges = 0x20
	asked := map[byte]bool{}
	var last mark
	return func(e *event, b *book, t *tally) {
		switch {
		case e.asks(uds.CurrentData):
			for _, item := range items(e) {
				if uds.IsRange(item) {
					asked[item] = true
					last = e.mark()
				}
			}
		case e.over(b):
			// Who has asked for the first range alone wants to know of something in it.
			for base := byte(ranges); len(asked) > 1 && base != 0; base += ranges {
				_, ok := announced(b.obd(), int(uds.CurrentData), base)
				switch {
				case !ok:
				case !asked[base]:
					t.breach(e, []mark{last}, "range %02X of service 01 is announced, and was not asked", base)
				default:
					t.keep()
				}
			}
			clear(asked)
		case e.kind == taskEnd:
			clear(asked)
		}
	}
}

func masksFirst(e *event, b *book, t *tally) {
	if !e.obd() {
		return
	}
	for _, item := range items(e) {
		if free(e, item) {
			continue
		}
		if known, _ := announced(b.to(e), e.m.Service, item); !known {
			t.breach(e, nil, "item %02X of service %02X is asked, and which items there are was not", item, e.m.Service)
			return
		}
		t.keep()
	}
}

func supportedOnly(e *event, b *book, t *tally) {
	if !e.obd() {
		return
	}
	for _, item := range items(e) {
		known, ok := announced(b.to(e), e.m.Service, item)
		switch {
		case free(e, item) || !known:
		case !ok:
			t.breach(e, nil, "item %02X of service %02X is announced by nobody who was asked", item, e.m.Service)
			return
		default:
			t.keep()
		}
	}
}

func itemsARequest(e *event, _ *book, t *tally) {
	if !e.obd() {
		return
	}
	list := items(e)
	most := 1
	switch {
	case e.about(uds.CurrentData):
		most = 6
	case e.about(uds.FreezeFrame):
		most = 3
	case e.about(uds.MonitorResults) && !slices.ContainsFunc(list, func(i byte) bool { return !uds.IsRange(i) }):
		most = 6
	case !e.about(uds.MonitorResults, uds.VehicleInformation):
		return
	}
	if len(list) > most {
		t.breach(e, nil, "%d items in a request of service %02X, at most %d are allowed", len(list), e.m.Service, most)
		return
	}
	t.keep()
}

func masksApart(e *event, _ *book, t *tally) {
	if !e.asks(uds.CurrentData) {
		return
	}
	list := items(e)
	n := len(slices.DeleteFunc(slices.Clone(list), uds.IsRange))
	switch {
	case n > 0 && n < len(list):
		t.breach(e, nil, "%d masks and %d data items in one request", len(list)-n, n)
	case len(list) > 1:
		t.keep()
	}
}

func noHammering() watcher {
	const most, window = 10, 2 * time.Second
	var last string
	var times []mark
	return func(e *event, _ *book, t *tally) {
		switch {
		case e.kind == response:
			times = times[:0]
		case e.kind != request || e.keepAlive():
		default:
			if asked := string(e.m.Data); asked != last {
				last, times = asked, times[:0]
			}
			times = slices.DeleteFunc(append(times, e.mark()), func(m mark) bool { return m.at < e.at-window })
			switch {
			case len(times) == most+1:
				t.breach(e, []mark{times[0]}, "asked %d times in %v, and nobody answers", len(times), (e.at - times[0].at).Round(time.Millisecond))
			case len(times) > 1 && len(times) <= most:
				t.keep()
			}
		}
	}
}
