package tool

import (
	"bufio"
	"bytes"
	"fmt"
	"slices"
	"strings"

	"sawhorse/bench/task"
)

// lineReader is where in the output the extractor is.
type lineReader struct {
	x    *extractor
	rule *lineRule
	no   int
	ecu  string // of the section
	m    []string
}

// text reads lines; each rule may take of each line.
func (x *extractor) text(rules []lineRule, stdout []byte) {
	l := &lineReader{x: x}
	sc := bufio.NewScanner(bytes.NewReader(stdout))
	sc.Buffer(nil, len(stdout)+1)
	for sc.Scan() {
		l.no++
		line := strings.ToValidUTF8(strings.TrimSuffix(sc.Text(), "\r"), "\uFFFD")
		taken := false
		for i := range rules {
			l.rule = &rules[i]
			if l.m = l.rule.match.FindStringSubmatch(line); l.m != nil {
				taken = true
				l.take()
			}
		}
		if !taken && strings.TrimSpace(line) != "" {
			x.note(Reading{Entry: notRead, Where: fmt.Sprintf("line %d", l.no), Piece: quote(line)})
		}
	}
}

// get is the text of a named group; false where it took no part.
func (l *lineReader) get(name string) (string, bool) {
	i := l.rule.match.SubexpIndex(name)
	if i < 0 || l.m[i] == "" {
		return "", false
	}
	return l.m[i], true
}

func (l *lineReader) fail(group, found, want string) {
	l.x.fail(l.rule.at.line, "lines group "+group, fmt.Sprintf("line %d of the output", l.no), quote(found), want)
}

// truth reads a group that means yes or no.
func (l *lineReader) truth(group string) (bool, bool) {
	v, ok := l.get(group)
	if !ok {
		return false, false
	}
	if l.rule.yes != nil {
		return slices.Contains(l.rule.yes, v), true
	}
	return slices.Contains([]string{"yes", "true", "on", "1"}, strings.ToLower(v)), true
}

func (l *lineReader) take() {
	r := &l.x.r
	ecu := l.ecu
	if name, ok := l.get("ecu"); ok {
		ecu = name
		l.section(name)
	}
	for _, name := range l.rule.empty {
		l.makeEmpty(name)
		l.tell(ecu, name, task.Empty)
	}
	for _, name := range l.rule.unknown {
		l.tell(ecu, name, task.Unknown)
	}
	for _, f := range task.EachField() {
		if _, ok := l.get(f.Group); ok {
			l.tell(ecu, f.Key, task.Said)
		}
	}
	if v, ok := l.get("vin"); ok {
		l.x.setVIN(l.rule.at.line, "lines group vin", fmt.Sprintf("line %d of the output", l.no), v)
	}
	l.code("stored", ecu, &r.Stored)
	l.code("pending", ecu, &r.Pending)
	l.code("permanent", ecu, &r.Permanent)
	l.value(ecu)
	l.freeze(ecu)
	l.learn()
	l.output()
	if v, ok := l.truth("mil"); ok {
		v = v || r.MIL != nil && *r.MIL
		r.MIL = &v
	}
	if v, ok := l.get("count"); ok {
		if f, ok := parseNumber(v); ok {
			l.x.addCount(int(f))
		} else {
			l.fail("count", v, "a number")
		}
	}
	if v, ok := l.get("calibration"); ok {
		r.Calibrations = append(r.Calibrations, Calibration{ECU: ecu, ID: strings.TrimSpace(v)})
	}
	if v, ok := l.truth("cleared"); ok {
		r.Cleared = &v
	}
	if name, ok := l.get("monitor"); ok {
		list(&r.Readiness)
		ready, has := l.truth("ready")
		if name, ok = translate(l.rule.monitors, nil, name); ok && has {
			r.Readiness = append(r.Readiness, Monitor{ecu, name, ready})
		}
	}
	l.note()
	for i, g := range l.rule.match.SubexpNames() {
		if name, ok := strings.CutPrefix(g, extraPrefix); ok && l.m[i] != "" {
			r.Extra = append(r.Extra, Extra{name, l.m[i]})
		}
	}
}

// note keeps what the line told.
func (l *lineReader) note() {
	where := fmt.Sprintf("line %d", l.no)
	for i, g := range l.rule.match.SubexpNames() {
		if g != "" && l.m[i] != "" {
			l.x.note(Reading{Entry: g, Line: l.rule.at.line, Where: where, Piece: quote(l.m[i])})
		}
	}
	for _, name := range l.rule.empty {
		l.x.note(Reading{Entry: "empty " + name, Line: l.rule.at.line, Where: where, Piece: quote(l.m[0])})
	}
	for _, name := range l.rule.unknown {
		l.x.note(Reading{Entry: "unknown " + name, Line: l.rule.at.line, Where: where, Piece: quote(l.m[0])})
	}
}

// section notes a control unit; a line that carries nothing else begins its part.
func (l *lineReader) section(name string) {
	r := &l.x.r
	list(&r.ECUs)
	i := slices.IndexFunc(r.ECUs, func(e ECU) bool { return e.Name == name })
	if i < 0 {
		r.ECUs = append(r.ECUs, ECU{Name: name})
		i = len(r.ECUs) - 1
	}
	if a, ok := l.get("address"); ok {
		r.ECUs[i].Address = a
	}
	for j, g := range l.rule.match.SubexpNames() {
		if g != "" && g != "ecu" && g != "address" && l.m[j] != "" {
			return
		}
	}
	l.ecu = name
}

// tell notes the state of a field: of the control unit, or of none in particular where
// the field belongs to the car.
func (l *lineReader) tell(ecu, key string, s task.State) {
	f, _ := task.ByKey(key)
	if f.Field == task.ECUs || f.Field == task.Learn || f.Field == task.Output {
		ecu = ""
	}
	l.x.r.tell(ecu, f.Field, s)
}

func (l *lineReader) makeEmpty(name string) {
	r := &l.x.r
	switch name {
	case "ecus":
		list(&r.ECUs)
	case "stored":
		list(&r.Stored)
	case "pending":
		list(&r.Pending)
	case "permanent":
		list(&r.Permanent)
	case "live":
		list(&r.Live)
	case "readiness":
		list(&r.Readiness)
	case "freeze":
		list(&r.FreezeFrames)
	case "calibrations":
		list(&r.Calibrations)
	}
}

func (l *lineReader) code(group, ecu string, dst *[]Code) {
	text, ok := l.get(group)
	if !ok {
		return
	}
	list(dst)
	c, ok := parseCode(text)
	if !ok {
		l.fail(group, text, codeWanted)
		return
	}
	if ft, ok := l.get("failure_type"); ok {
		c.FailureType = strings.ToUpper(ft)
	}
	c.ECU = ecu
	*dst = append(*dst, c)
}

func (l *lineReader) value(ecu string) {
	text, ok := l.get("value")
	if !ok {
		return
	}
	list(&l.x.r.Live)
	name, named := l.get("name")
	if _, known := l.rule.names[name]; named && l.rule.names != nil && !known {
		return
	}
	parse := parseNumber
	if l.rule.signal.hex || named && l.rule.names[name].hex {
		parse = parseHex
	}
	f, ok := parse(text)
	if !ok {
		l.fail("value", text, "a number")
		return
	}
	unit, _ := l.get("unit")
	v := Value{Signal: l.rule.signal.signal, Value: l.rule.signal.convert(f), Unit: l.rule.signal.unit}
	if named {
		v, _ = convertNamed(l.rule.names, name, unit, f)
	} else if v.Unit == "" {
		v.Unit = unit
	}
	v.ECU = ecu
	l.x.r.Live = append(l.x.r.Live, v)
}

// freeze reads the head of a freeze frame, or one value of the last one.
func (l *lineReader) freeze(ecu string) {
	r := &l.x.r
	if text, ok := l.get("freeze"); ok {
		list(&r.FreezeFrames)
		c, ok := parseCode(text)
		if !ok {
			l.fail("freeze", text, codeWanted)
			return
		}
		r.FreezeFrames = append(r.FreezeFrames, FreezeFrame{ECU: ecu, Code: c.Code, Values: []Value{}})
	}
	text, ok := l.get("freeze_value")
	if !ok {
		return
	}
	name, _ := l.get("freeze_name")
	if len(r.FreezeFrames) == 0 {
		l.fail("freeze_value", text, "a line with the group freeze before it")
		return
	}
	f, ok := parseNumber(text)
	if !ok {
		l.fail("freeze_value", text, "a number")
		return
	}
	unit, _ := l.get("unit")
	if v, ok := convertNamed(l.rule.names, name, unit, f); ok {
		last := &r.FreezeFrames[len(r.FreezeFrames)-1]
		v.ECU = last.ECU
		last.Values = append(last.Values, v)
	}
}

func (l *lineReader) learn() {
	word, ok := l.get("outcome")
	if !ok {
		return
	}
	outcome, ok := translate(l.rule.outcomes, learnOutcomes, word)
	if !ok {
		l.fail("outcome", word, wanted(l.rule.outcomes, learnOutcomes))
		return
	}
	res := &LearnResult{Outcome: outcome}
	res.Position, _ = l.get("position")
	res.Reason, _ = l.get("reason")
	l.x.r.Learn = res
}

func (l *lineReader) output() {
	word, ok := l.get("driven")
	if !ok {
		return
	}
	outcome, ok := translate(l.rule.outcomes, outputOutcomes(), word)
	if !ok {
		l.fail("driven", word, wanted(l.rule.outcomes, outputOutcomes()))
		return
	}
	res := &OutputResult{Outcome: outcome}
	res.Output, _ = l.get("output")
	res.Reason, _ = l.get("reason")
	l.x.r.Output = res
}
