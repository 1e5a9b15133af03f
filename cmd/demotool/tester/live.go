package tester

import (
	"fmt"
	"slices"
)

// pids asks which identifiers of service 01 exist, range by range; the first
// range is known since the control units were found.
func (t *Tester) pids(next func()) {
	holders := t.only(func(p *peer) bool { return slices.Contains(p.pids, 0x20) })
	t.pidMasks(0x20, holders, next)
}

func (t *Tester) pidMasks(base byte, holders []*peer, next func()) {
	if len(holders) == 0 {
		next()
		return
	}
	q := query{data: []byte{0x01, base}, echo: []byte{base}, expect: holders}
	t.ask(q, func(rs []*reply) {
		var more []*peer
		for _, r := range rs {
			if !r.ok() || len(r.data) != 6 || !slices.Contains(holders, r.from) {
				continue
			}
			ids := t.seams.supported(base, r.data[2:])
			for _, id := range ids {
				if !slices.Contains(r.from.pids, id) {
					r.from.pids = append(r.from.pids, id)
				}
			}
			if base < 0xE0 && slices.Contains(ids, base+0x20) {
				more = append(more, r.from)
			}
		}
		if len(more) == 0 {
			next()
			return
		}
		t.pidMasks(base+0x20, more, next)
	})
}

// live reads every identifier that the tool can decode, six a request.
func (t *Tester) live(next func()) {
	t.say("reading live data")
	holders := t.obd()
	for _, p := range holders {
		p.ecu.Live = []Value{}
	}
	want := wanted(holders, func(p *peer) []byte { return p.pids })
	forEach(batches(want, t.itemsARequest()), func(batch []byte, next func()) {
		t.readPIDs(holders, batch, func(p *peer, vs []Value) {
			p.ecu.Live = append(p.ecu.Live, vs...)
		}, next)
	}, next)
}

// readPIDs reads up to six identifiers of service 01, those of them that
// anybody supports.
func (t *Tester) readPIDs(holders []*peer, batch []byte, take func(*peer, []Value), next func()) {
	batch = slices.DeleteFunc(slices.Clone(batch), func(id byte) bool {
		return !slices.ContainsFunc(holders, func(p *peer) bool { return slices.Contains(p.pids, id) })
	})
	expect := supporting(holders, batch, func(p *peer) []byte { return p.pids })
	if len(expect) == 0 {
		next()
		return
	}
	q := query{data: append([]byte{0x01}, batch...), asked: batch, expect: expect}
	t.ask(q, func(rs []*reply) {
		for _, r := range rs {
			if r.ok() && r.from.present {
				take(r.from, t.values(r, 0, batch))
			} else {
				t.refusal(r, "live data")
			}
		}
		next()
	})
}

// values decodes the groups of an answer of service 01 or 02.
func (t *Tester) values(r *reply, skip int, asked []byte) []Value {
	groups, err := walkGroups(r.data[1:], skip, asked)
	if err != nil {
		t.problem(fmt.Sprintf("%s: %v", r.from.ecu.Name, err))
	}
	var vs []Value
	for _, g := range groups {
		vs = append(vs, t.seams.value(g, slices.Contains(r.from.pids, pidO2In4Banks))...)
	}
	return vs
}

// wanted is what any of the control units supports and the tool can decode.
func wanted(ps []*peer, of func(*peer) []byte) []byte {
	var ids []byte
	for _, p := range ps {
		for _, id := range of(p) {
			if pidTable[id].decode != nil && !slices.Contains(ids, id) {
				ids = append(ids, id)
			}
		}
	}
	slices.Sort(ids)
	return ids
}

func batches(ids []byte, n int) [][]byte { return slices.Collect(slices.Chunk(ids, n)) }

// supporting are those that support at least one identifier of the batch.
func supporting(ps []*peer, batch []byte, of func(*peer) []byte) []*peer {
	var s []*peer
	for _, p := range ps {
		if slices.ContainsFunc(batch, func(id byte) bool { return slices.Contains(of(p), id) }) {
			s = append(s, p)
		}
	}
	return s
}
