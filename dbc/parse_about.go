package dbc

import (
	"strings"

	"sawhorse/canbus"
)

// ref names an object of the file: nothing or the network, a node (BU_), a message (BO_),
// a signal (SG_) or an environment variable (EV_).
type ref struct {
	kind string
	key  canbus.Key
	name string
	at   int
}

// object reads which object a statement is about; the network if it names none.
func (p *parser) object() ref {
	p.space()
	start := p.at
	word, at := p.word(numberStops)
	r := ref{kind: word, at: at}
	switch word {
	case "BU_", "EV_":
		r.name, r.at = p.name("node", false)
	case "BO_":
		r.key, r.at = p.id(false)
	case "SG_":
		s := p.signalRef()
		r.key, r.name, r.at = s.key, s.name, s.at
	default:
		p.at = start
		r.kind = ""
	}
	return r
}

// signalRef reads a message's identifier and a signal's name.
func (p *parser) signalRef() ref {
	key, at := p.id(false)
	name, _ := p.name("signal", false)
	return ref{kind: "SG_", key: key, name: name, at: at}
}

// signalOf finds a signal. One that does not exist is warned of, for what is said of it.
func (p *parser) signalOf(r ref, what string) *Signal {
	if s, ok := p.signals[signalName{r.key, r.name}]; ok {
		return s
	}
	if !p.leftOut[r.key] && !p.leftSignals[signalName{r.key, r.name}] {
		p.warn(r.at, "%s for signal %s of message %s, which does not exist", what, short(r.name), r.key)
	}
	return nil
}

func (p *parser) messageOf(r ref, what string) *Message {
	if m, ok := p.net.byKey[r.key]; ok {
		return m
	}
	if !p.leftOut[r.key] {
		p.warn(r.at, "%s for message %s, which does not exist", what, r.key)
	}
	return nil
}

// resolve finds an object's attributes and comment; nil if it does not exist.
func (p *parser) resolve(r ref, what string) (*attributed, *string) {
	switch r.kind {
	case "BU_":
		if n, ok := p.net.Node(r.name); ok {
			return &n.attributed, &n.Comment
		}
		if !nobody(r.name) {
			p.warn(r.at, "%s for node %s, which does not exist", what, short(r.name))
		}
	case "BO_":
		if m := p.messageOf(r, what); m != nil {
			return &m.attributed, &m.Comment
		}
	case "SG_":
		if s := p.signalOf(r, what); s != nil {
			return &s.attributed, &s.Comment
		}
	case "":
		return &p.net.attributed, &p.net.Comment
	}
	return nil, nil // environment variables are none of ours
}

// comment reads CM_ OBJECT "TEXT" ;
func (p *parser) comment() {
	r := p.object()
	text := p.quoted("comment", false, true)
	p.end()
	if p.failed {
		return
	}
	p.later = append(p.later, func() {
		if _, comment := p.resolve(r, "comment"); comment != nil {
			if *comment != "" {
				p.warn(r.at, "a second comment for one object; the last counts")
			}
			*comment = text
		}
	})
}

// values reads VAL_ ID SIGNAL, or VAL_ VARIABLE, then RAW "TEXT" ... or a table's name ;
func (p *parser) values() {
	if b := p.next(); b < '0' || b > '9' {
		p.name("environment variable", false)
		p.pairs()
		p.end()
		return
	}
	r := p.signalRef()
	var table string
	var tableAt int
	var values []Value
	if b := p.next(); b == '_' || b >= 'A' && b <= 'Z' || b >= 'a' && b <= 'z' {
		table, tableAt = p.name("value table", false)
	} else {
		values = p.pairs()
	}
	p.end()
	if p.failed {
		return
	}
	p.later = append(p.later, func() {
		if table != "" {
			var ok bool
			if values, ok = p.tables[table]; !ok {
				p.warn(tableAt, "value table %s does not exist", short(table))
				return
			}
		}
		p.nameValues(r, values)
	})
}

func (p *parser) nameValues(r ref, values []Value) {
	s := p.signalOf(r, "names of values")
	if s == nil {
		return
	}
	if len(s.Values) > 0 {
		p.warn(r.at, "values of signal %s are named twice; the last count", s.Name)
	}
	s.Values = append([]Value(nil), values...)
	s.sortValues()
}

// valueType reads SIG_VALTYPE_ ID SIGNAL : TYPE ;
func (p *parser) valueType() {
	r := p.signalRef()
	p.maybe(':')
	n, at := p.count("value type")
	p.end()
	if p.failed {
		return
	}
	if n > 2 {
		p.refuse(at, "value type %d, want 0 for integers, 1 or 2 for floats of 32 or 64 bits", n)
		return
	}
	p.later = append(p.later, func() {
		s := p.signalOf(r, "value type")
		if s == nil || n == 0 {
			return
		}
		if s.Length != 32*int(n) {
			p.refuse(at, "signal %s of %d bits as a float of %d", s.Name, s.Length, 32*n)
			p.unclear[s] = true
			return
		}
		s.Encoding = Float32 + Encoding(n) - 1
	})
}

// senders reads BO_TX_BU_ ID : NODE,NODE ;
func (p *parser) senders() {
	key, at := p.id(false)
	p.maybe(':')
	var names []string
	for p.more() && p.next() != ';' {
		name, nameAt := p.name("node", false)
		if p.failed {
			return
		}
		if !nobody(name) {
			names = append(names, name)
			p.known(name, nameAt)
		}
		p.maybe(',')
	}
	p.end()
	if p.failed {
		return
	}
	p.later = append(p.later, func() {
		m := p.messageOf(ref{key: key, at: at}, "senders")
		if m == nil || len(names) == 0 {
			return
		}
		m.Senders = names
		if m.Sender == "" {
			m.Sender = names[0]
		} else if !strings.Contains(" "+strings.Join(names, " ")+" ", " "+m.Sender+" ") {
			m.Senders = append([]string{m.Sender}, names...)
		}
	})
}
