package dbc

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// attribute is a definition: the objects it is for, its type, an enumeration's names.
type attribute struct {
	object, kind string
	names        []string
}

// given is a value as it stands in the file.
type given struct {
	text   string
	quoted bool
	at     int
}

// attributeDefinition reads BA_DEF_ OBJECT "NAME" TYPE ... ;
func (p *parser) attributeDefinition() {
	p.space()
	a := &attribute{}
	for _, k := range []string{"BU_", "BO_", "SG_", "EV_"} {
		if firstWord(p.text[p.at:]) == k {
			a.object = k
			p.at += len(k)
		}
	}
	p.space()
	at := p.at
	name := p.quoted("name of an attribute", true, false)
	kind, kindAt := p.word(numberStops)
	switch a.kind = kind; kind {
	case "INT", "HEX", "FLOAT":
		for n := 0; n < 2 && p.more() && p.next() != ';'; n++ {
			p.number([]string{"minimum", "maximum"}[n])
		}
	case "STRING":
	case "ENUM":
		for p.more() && p.next() != ';' {
			a.names = append(a.names, p.quoted("name of a value", false, false))
			p.maybe(',')
		}
	default:
		p.fail(kindAt, "type %s of attribute %q, want INT, HEX, FLOAT, STRING or ENUM", p.found(kindAt), short(name))
	}
	p.end()
	if p.failed {
		return
	}
	if _, ok := p.attributes[name]; ok {
		p.warn(at, "attribute %q is defined twice; the last counts", short(name))
	}
	p.attributes[name] = a
}

// value reads a value, in quotes or not.
func (p *parser) value() given {
	p.space()
	at := p.at
	if p.next() == '"' {
		return given{p.quoted("value of an attribute", false, true), true, at}
	}
	word, at := p.word(numberStops)
	if word == "" {
		p.fail(at, "%s, want the value of an attribute", p.found(at))
	}
	return given{word, false, at}
}

// attributeDefault reads BA_DEF_DEF_ "NAME" VALUE ;
func (p *parser) attributeDefault() {
	p.space()
	at := p.at
	name := p.quoted("name of an attribute", true, false)
	v := p.value()
	p.end()
	if p.failed {
		return
	}
	p.later = append(p.later, func() {
		a, ok := p.attributes[name]
		if !ok {
			p.warn(at, "default for attribute %q, which is not defined", short(name))
			return
		}
		of := p.defaults[a.object]
		if of == nil {
			of = map[string]string{}
			p.defaults[a.object] = of
		}
		if _, ok := of[name]; ok {
			p.warn(at, "second default for attribute %q; the last counts", short(name))
		}
		of[name] = p.normal(name, a, v)
	})
}

// attributeValue reads BA_ "NAME" OBJECT VALUE ;
func (p *parser) attributeValue() {
	p.space()
	at := p.at
	name := p.quoted("name of an attribute", true, false)
	r := p.object()
	if r.kind == "" {
		r.at = at
	}
	v := p.value()
	p.end()
	if p.failed {
		return
	}
	p.later = append(p.later, func() {
		a, ok := p.attributes[name]
		if !ok {
			p.warn(at, "attribute %q is not defined", short(name))
			a = &attribute{}
		}
		o, _ := p.resolve(r, "attribute")
		if o == nil {
			return
		}
		if _, ok := o.set[name]; ok {
			p.warn(at, "second value of attribute %q for one object; the last counts", short(name))
		}
		o.put(name, p.normal(name, a, v), p.placeOf(v.at))
		if name == roleAttribute && r.kind == "SG_" {
			p.roles = append(p.roles, role{p.signals[signalName{r.key, r.name}], v.at})
		}
	})
}

// normal is a value as its attribute's type has it, as far as it fits.
func (p *parser) normal(name string, a *attribute, v given) string {
	switch a.kind {
	case "ENUM":
		n, err := strconv.Atoi(v.text)
		if !v.quoted && err == nil && n >= 0 && n < len(a.names) {
			return a.names[n]
		}
		for _, have := range a.names {
			if v.quoted && have == v.text {
				return v.text
			}
		}
		p.warn(v.at, "value %s of attribute %q is none of its enumeration", short(v.text), short(name))
	case "INT", "HEX", "FLOAT":
		if v.quoted {
			p.warn(v.at, "value of attribute %q in quotes", short(name))
		}
		if !oddNumber.MatchString(v.text) && !strings.HasPrefix(v.text, "0x") {
			p.warn(v.at, "value %q of attribute %q is no number", short(v.text), short(name))
		}
	case "STRING":
		if !v.quoted {
			p.warn(v.at, "value of attribute %q without quotes", short(name))
		}
	}
	return v.text
}

// Attributes that mean something here.
const (
	roleAttribute  = "SawhorseRole"
	cycleAttribute = "GenMsgCycleTime"
	frameAttribute = "VFrameFormat"
)

// role is a signal that has one, and where the file says so.
type role struct {
	signal *Signal
	at     int
}

// useAttributes hands the defaults out and reads what attributes say of a message.
func (p *parser) useAttributes() {
	p.net.attributed.defaults = p.defaults[""]
	for _, n := range p.net.Nodes {
		n.defaults = p.defaults["BU_"]
	}
	for _, m := range p.net.Messages {
		m.defaults = p.defaults["BO_"]
		for _, s := range m.Signals {
			s.defaults = p.defaults["SG_"]
		}
		if v, ok := m.Attribute(frameAttribute); ok && strings.Contains(v, "FD") {
			m.FD = true
		}
		if v, ok := m.Attribute(cycleAttribute); ok {
			ms, err := strconv.ParseFloat(v, 64)
			if err != nil || !(ms >= 0) || ms > 24*3600*1000 {
				p.warn(p.messageAt[m], "cycle time %q of message %s, want milliseconds; read as none", short(v), m.Name)
				continue
			}
			m.CycleTime = time.Duration(math.Round(ms * float64(time.Millisecond)))
		}
	}
	for _, r := range p.roles {
		text, _ := r.signal.Attribute(roleAttribute)
		if text == "" {
			continue
		}
		if err := r.signal.setRole(text); err != nil {
			p.refuse(r.at, "signal %s: %s", r.signal.Name, err)
		}
	}
}
