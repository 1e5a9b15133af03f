package tool

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"sawhorse/bench/task"
)

// node is a value of the tool's document, its place, and its key where it is one of
// pairs.
type node struct {
	value any
	where string
	key   string
}

// document reads one JSON document, or all there are where the profile says so.
func (x *extractor) document(e *Entry, stdout []byte) {
	m := e.output.json
	roots, err := parseJSON(stdout, m.several)
	if err != nil {
		want := "one JSON document"
		if m.several {
			want = "JSON documents"
		}
		x.fail(e.at.line, "output.json", "", err.Error(), want)
		x.broken = true
		return
	}
	x.unknown = m.unknown
	for _, root := range roots {
		x.root(m, node{value: root})
	}
}

// root reads one document.
func (x *extractor) root(m *mapping, n node) {
	x.telling("", task.VIN, func() task.State {
		v, ok := x.textOf(m.vin, n)
		if ok {
			x.setVIN(m.vin.at.line, m.vin.entry, m.vin.text, v)
		}
		return said(ok)
	})
	if v, ok := x.boolOf(m.cleared, n); ok {
		x.r.Cleared = &v
	}
	x.group(&m.group, n, "")
	x.ecus(m.ecus, n)
	x.learn(m.learn, n)
	x.output(m.output, n)
	for _, ex := range m.extra {
		for _, s := range x.selected(ex.path, n) {
			x.r.Extra = append(x.r.Extra, Extra{ex.name, s.value})
		}
	}
}

// parseJSON reads one document, or several after each other.
func parseJSON(data []byte, several bool) ([]any, error) {
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, errors.New("nothing")
	}
	d := json.NewDecoder(bytes.NewReader(data))
	var list []any
	for {
		var v any
		if err := d.Decode(&v); err != nil {
			return nil, fmt.Errorf("no JSON at byte %d: %w", d.InputOffset(), err)
		}
		list = append(list, v)
		if !d.More() {
			return list, nil
		}
		if !several {
			return nil, fmt.Errorf("more after the document, at byte %d", d.InputOffset())
		}
	}
}

// selected are the nodes of a query; null counts as nothing, and so does what the
// profile lists as not known, which is noted.
func (x *extractor) selected(p *path, n node) []node {
	ns := x.find(p, n)
	x.notePath(p, ns)
	return ns
}

func (x *extractor) find(p *path, n node) []node {
	switch {
	case p == nil:
		return nil
	case p.key:
		return []node{{value: n.key, where: n.where}}
	}
	for _, q := range p.queries {
		var ns []node
		for _, s := range q.SelectLocated(n.value) {
			if len(x.unknown) > 0 && slices.Contains(x.unknown, jsonText(s.Node)) {
				x.sawUnknown = true
				continue
			}
			if s.Node != nil {
				ns = append(ns, node{value: s.Node, where: n.where + strings.TrimPrefix(s.Path.String(), "$"), key: n.key})
			}
		}
		if len(ns) > 0 {
			return ns
		}
	}
	return nil
}

// items are the elements of a list; present is false where the document has none.
func (x *extractor) items(e each, n node) (items []node, present bool) {
	for _, s := range x.selected(e.list, n) {
		present = true
		switch a := s.value.(type) {
		case []any:
			if e.pairs {
				x.wrong(e.list, s, "an object with pairs")
				continue
			}
			for i, v := range a {
				items = append(items, node{value: v, where: fmt.Sprintf("%s[%d]", s.where, i)})
			}
		case map[string]any:
			if !e.pairs {
				items = append(items, s)
				continue
			}
			for _, k := range sortedKeys(a) {
				items = append(items, node{value: a[k], where: fmt.Sprintf("%s['%s']", s.where, k), key: k})
			}
		default:
			if e.pairs {
				x.wrong(e.list, s, "an object with pairs")
				continue
			}
			items = append(items, s)
		}
	}
	return items, present
}

// one is the single value of a query; nothing is not an error, several are.
func (x *extractor) one(p *path, n node) (node, bool) {
	ns := x.selected(p, n)
	switch len(ns) {
	case 0:
		return node{}, false
	case 1:
		return ns[0], true
	}
	x.fail(p.at.line, p.entry, "$"+n.where, fmt.Sprintf("%d values for %s", len(ns), p.text), "one")
	return node{}, false
}

func (x *extractor) textOf(p *path, n node) (string, bool) {
	s, ok := x.one(p, n)
	if !ok {
		return "", false
	}
	switch v := s.value.(type) {
	case string:
		return v, true
	case float64:
		return jsonText(v), true
	}
	x.wrong(p, s, "text")
	return "", false
}

func (x *extractor) boolOf(p *path, n node) (bool, bool) {
	s, ok := x.one(p, n)
	if !ok {
		return false, false
	}
	b, ok := s.value.(bool)
	if !ok {
		x.wrong(p, s, "true or false")
	}
	return b, ok
}

func (x *extractor) numberOf(p *path, n node, hex bool) (float64, bool) {
	s, ok := x.one(p, n)
	if !ok {
		return 0, false
	}
	if text, ok := s.value.(string); ok && hex {
		if f, ok := parseHex(text); ok {
			return f, true
		}
		x.wrong(p, s, "a number in hexadecimal digits")
		return 0, false
	}
	switch v := s.value.(type) {
	case float64:
		return v, true
	case bool:
		if v {
			return 1, true
		}
		return 0, true
	case string:
		if f, ok := parseNumber(v); ok {
			return f, true
		}
	}
	x.wrong(p, s, "a number")
	return 0, false
}

// required reports a value that has to be there.
func (x *extractor) required(p *path, n node, ok bool, before int) bool {
	if !ok && len(x.errs) == before {
		x.fail(p.at.line, p.entry, "$"+n.where, "nothing for "+p.text, "a value")
	}
	return ok
}

func (x *extractor) wrong(p *path, s node, want string) {
	x.fail(p.at.line, p.entry, "$"+s.where, jsonText(s.value), want)
}

func jsonText(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Sprint(v)
	}
	if len(b) > 60 {
		return strings.ToValidUTF8(string(b[:60]), "") + "..."
	}
	return string(b)
}

func (x *extractor) group(g *group, n node, ecu string) {
	x.telling(ecu, task.Stored, func() task.State { return x.codes(g.stored, n, ecu, &x.r.Stored) })
	x.telling(ecu, task.Pending, func() task.State { return x.codes(g.pending, n, ecu, &x.r.Pending) })
	x.telling(ecu, task.Permanent, func() task.State { return x.codes(g.permanent, n, ecu, &x.r.Permanent) })
	x.telling(ecu, task.Live, func() task.State { return x.live(g.live, n, ecu, &x.r.Live) })
	x.telling(ecu, task.Readiness, func() task.State { return x.monitors(g.readiness, n, ecu) })
	x.telling(ecu, task.Freeze, func() task.State { return x.freeze(g.freeze, n, ecu) })
	x.telling(ecu, task.Lamp, func() task.State {
		v, ok := x.boolOf(g.mil, n)
		if ok {
			v = v || x.r.MIL != nil && *x.r.MIL // the lamp is on if any control unit asks for it
			x.r.MIL = &v
		}
		return said(ok)
	})
	x.telling(ecu, task.Count, func() task.State {
		v, ok := x.numberOf(g.count, n, false)
		if ok {
			x.addCount(int(v))
		}
		return said(ok)
	})
	if g.calibrations != nil {
		x.telling(ecu, task.Calibrations, func() task.State { return x.calibrations(g.calibrations, n, ecu) })
	}
}

// calibrations reads a list of texts.
func (x *extractor) calibrations(e *each, n node, ecu string) task.State {
	items, present := x.items(*e, n)
	if present {
		list(&x.r.Calibrations)
	}
	for _, it := range items {
		text, ok := it.value.(string)
		if !ok {
			x.wrong(e.list, it, "a calibration id")
			continue
		}
		x.r.Calibrations = append(x.r.Calibrations, Calibration{ECU: ecu, ID: strings.TrimSpace(text)})
	}
	return listState(present, len(items))
}

func (x *extractor) ecus(m *ecuMap, n node) {
	if m == nil {
		return
	}
	items, present := x.items(m.each, n)
	if !present {
		return
	}
	x.r.tell("", task.ECUs, listState(true, len(items)))
	list(&x.r.ECUs)
	for _, it := range items {
		before := len(x.errs)
		name, ok := x.textOf(m.name, it)
		if !x.required(m.name, it, ok, before) {
			continue
		}
		e := ECU{Name: name}
		e.Address, _ = x.textOf(m.address, it)
		x.telling(name, task.VIN, func() task.State {
			var ok bool
			e.VIN, ok = x.textOf(m.vin, it)
			return said(ok)
		})
		x.r.ECUs = append(x.r.ECUs, e)
		x.group(&m.group, it, name)
	}
}

// ecuOf is the control unit that an item names, or the one around it.
func (x *extractor) ecuOf(p *path, it node, around string) string {
	if name, ok := x.textOf(p, it); ok {
		return name
	}
	return around
}

func (x *extractor) codes(m *codeMap, n node, ecu string, dst *[]Code) task.State {
	if m == nil {
		return task.NotSaid
	}
	items, present := x.items(m.each, n)
	if present {
		list(dst)
	}
	for _, it := range items {
		p, before := m.code, len(x.errs)
		var text string
		var ok bool
		if p == nil {
			p = m.list
			if text, ok = it.value.(string); !ok {
				x.wrong(p, it, codeWanted)
			}
		} else {
			text, ok = x.textOf(p, it)
		}
		if !x.required(p, it, ok, before) {
			continue
		}
		c, ok := parseCode(text)
		if !ok {
			x.fail(p.at.line, p.entry, "$"+it.where, quote(text), codeWanted)
			continue
		}
		if ft, ok := x.textOf(m.failureType, it); ok {
			c.FailureType = strings.ToUpper(ft)
		}
		c.ECU = x.ecuOf(m.ecu, it, ecu)
		*dst = append(*dst, c)
	}
	return listState(present, len(items))
}

func (x *extractor) live(ms []liveMap, n node, ecu string, dst *[]Value) task.State {
	there, before := false, len(*dst)
	for i := range ms {
		m := &ms[i]
		if m.list == nil {
			if v, ok := x.numberOf(m.value, n, m.signal.hex); ok {
				there = true
				*dst = append(*dst, Value{x.ecuOf(m.ecu, n, ecu), m.signal.signal, m.signal.convert(v), m.signal.unit})
			}
			continue
		}
		items, present := x.items(m.each, n)
		if present {
			there = true
			list(dst)
		}
		for _, it := range items {
			x.liveItem(m, it, ecu, dst)
		}
	}
	return listState(there, len(*dst)-before)
}

func (x *extractor) liveItem(m *liveMap, it node, ecu string, dst *[]Value) {
	before := len(x.errs)
	name, ok := x.textOf(m.name, it)
	if !x.required(m.name, it, ok, before) {
		return
	}
	if m.names != nil {
		if _, known := m.names[name]; !known {
			return
		}
	}
	v, ok := x.numberOf(m.value, it, m.names[name].hex)
	if !x.required(m.value, it, ok, before) {
		return
	}
	unit, _ := x.textOf(m.unit, it)
	value, _ := convertNamed(m.names, name, unit, v)
	value.ECU = x.ecuOf(m.ecu, it, ecu)
	*dst = append(*dst, value)
}

func (x *extractor) monitors(m *monitorMap, n node, ecu string) task.State {
	if m == nil {
		return task.NotSaid
	}
	items, present := x.items(m.each, n)
	if present {
		list(&x.r.Readiness)
	}
	for _, it := range items {
		before := len(x.errs)
		name, ok := x.textOf(m.name, it)
		if !x.required(m.name, it, ok, before) {
			continue
		}
		if name, ok = translate(m.names, nil, name); !ok {
			continue
		}
		ready, ok := x.boolOf(m.ready, it)
		if x.required(m.ready, it, ok, before) {
			x.r.Readiness = append(x.r.Readiness, Monitor{x.ecuOf(m.ecu, it, ecu), name, ready})
		}
	}
	return listState(present, len(items))
}

func (x *extractor) freeze(m *freezeMap, n node, ecu string) task.State {
	if m == nil {
		return task.NotSaid
	}
	items, present := x.items(m.each, n)
	if present {
		list(&x.r.FreezeFrames)
	}
	for _, it := range items {
		before := len(x.errs)
		text, ok := x.textOf(m.code, it)
		if !x.required(m.code, it, ok, before) {
			continue
		}
		c, ok := parseCode(text)
		if !ok {
			x.fail(m.code.at.line, m.code.entry, "$"+it.where, quote(text), codeWanted)
			continue
		}
		f := FreezeFrame{ECU: x.ecuOf(m.ecu, it, ecu), Code: c.Code, Values: []Value{}}
		x.live(m.values, it, f.ECU, &f.Values)
		x.r.FreezeFrames = append(x.r.FreezeFrames, f)
	}
	return listState(present, len(items))
}

// result reads how something ended: what it was done to, the word in our own, and why.
func (x *extractor) result(m *resultMap, n node, set []string) (name, outcome, reason string, ok bool) {
	if m == nil {
		return "", "", "", false
	}
	word, ok := x.textOf(m.outcome, n)
	if !ok {
		return "", "", "", false
	}
	if outcome, ok = translate(m.outcomes, set, word); !ok {
		x.fail(m.outcome.at.line, m.outcome.entry, m.outcome.text, quote(word), wanted(m.outcomes, set))
		return "", "", "", false
	}
	name, _ = x.textOf(m.name, n)
	reason, _ = x.textOf(m.reason, n)
	return name, outcome, reason, true
}

func (x *extractor) learn(m *resultMap, n node) {
	x.telling("", task.Learn, func() task.State {
		name, outcome, reason, ok := x.result(m, n, learnOutcomes)
		if ok {
			x.r.Learn = &LearnResult{Position: name, Outcome: outcome, Reason: reason}
		}
		return said(ok)
	})
}

func (x *extractor) output(m *resultMap, n node) {
	x.telling("", task.Output, func() task.State {
		name, outcome, reason, ok := x.result(m, n, outputOutcomes())
		if ok {
			x.r.Output = &OutputResult{Output: name, Outcome: outcome, Reason: reason}
		}
		return said(ok)
	})
}
