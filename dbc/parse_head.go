package dbc

import (
	"regexp"
	"strings"
)

func (p *parser) version() {
	p.blank()
	if !p.more() || p.text[p.at] == '\n' {
		p.warn(p.at, "no version after VERSION")
		return
	}
	p.net.Version = p.quoted("version", true, false)
	p.maybe(';')
}

var symbolLine = regexp.MustCompile(`^[ \t]*([A-Za-z_]+_?)?[ \t]*(\n|$)`)

// symbols reads over NS_ with its list of keywords, one on a line.
func (p *parser) symbols() {
	if !p.maybe(':') {
		p.warn(p.at, "NS_ without its colon")
	}
	p.line()
	for p.more() {
		line := symbolLine.FindStringSubmatch(p.text[p.at+1:])
		if line == nil || line[1] == "BS_" || line[1] == "BU_" { // no such symbols: sections without a colon
			return
		}
		if !strings.HasSuffix(line[0], "\n") {
			p.at = len(p.text)
			return
		}
		p.at += len(line[0])
	}
}

var timingLine = regexp.MustCompile(`^[ \t]*:?[ \t]*([0-9]+([ \t]*:[ \t]*[0-9]+[ \t]*,[ \t]*[0-9]+)?)?[ \t]*;?[ \t]*$`)

// timing reads over BS_: bit rate and timing registers, long out of use.
func (p *parser) timing() {
	at := p.at
	rest := p.line()
	switch {
	case !timingLine.MatchString(rest):
		p.warn(at, "bit timing %q, want nothing or RATE : BTR1 , BTR2", short(strings.TrimSpace(rest)))
	case !strings.Contains(rest, ":"):
		p.warn(at, "BS_ without its colon")
	}
}

// nodes reads the names after BU_, which end with the line or go on in indented ones.
func (p *parser) nodes() {
	if !p.maybe(':') {
		p.warn(p.at, "BU_ without its colon")
	}
	for p.more() {
		p.blank()
		if !p.more() {
			return
		}
		switch b := p.text[p.at]; {
		case b == ',' || b == ';':
			p.warn(p.at, "%q between nodes, want a space", string(b))
			p.at++
		case b == '\n':
			rest := p.text[p.at+1:]
			next := strings.TrimLeft(rest, " \t")
			if next == rest || next == "" || next[0] == '\n' || isKeyword(firstWord(next)) {
				return
			}
			p.at++
		default:
			p.node()
		}
	}
}

func (p *parser) node() {
	name, at := p.name("node", true)
	if p.failed {
		return
	}
	if nobody(name) {
		return
	}
	if _, ok := p.net.Node(name); ok {
		p.warn(at, "node %s is listed twice", name)
		return
	}
	n := &Node{Name: name}
	p.net.byNode[name] = n
	p.net.Nodes = append(p.net.Nodes, n)
}

// nobody reports whether a name is the format's placeholder for no node.
func nobody(name string) bool {
	return strings.EqualFold(name, "Vector__XXX") || strings.EqualFold(name, "VectorXXX")
}

// known warns of a node that BU_ does not list, once for each.
func (p *parser) known(name string, at int) {
	p.later = append(p.later, func() {
		if _, ok := p.net.Node(name); !ok && !p.strangers[name] {
			p.strangers[name] = true
			p.warn(at, "node %q is not listed in BU_", short(name))
		}
	})
}

// valueTable reads VAL_TABLE_ NAME RAW "TEXT" ... ;
func (p *parser) valueTable() {
	name, at := p.name("value table", true)
	values := p.pairs()
	p.end()
	if p.failed {
		return
	}
	if _, ok := p.tables[name]; ok {
		p.warn(at, "value table %s is given twice; the last counts", name)
	}
	p.tables[name] = values
}

// pairs reads raw values with their names until something else comes.
func (p *parser) pairs() []Value {
	var values []Value
	seen := map[int64]bool{}
	for p.more() {
		b := p.next()
		if b != '-' && b != '+' && b != '.' && (b < '0' || b > '9') {
			return values
		}
		at := p.at
		raw, ok := p.rawValue()
		text := p.quoted("name of a value", false, false)
		switch {
		case p.failed || !ok:
		case seen[raw]:
			p.warn(at, "value %d is named twice; the first counts", raw)
		default:
			seen[raw] = true
			values = append(values, Value{raw, text})
		}
	}
	return values
}

// rawValue reads a whole number that may be negative, or one of 64 bits unsigned, which
// keeps its bits. A broken number is warned of and does not count.
func (p *parser) rawValue() (int64, bool) {
	if b := p.text[p.at]; b >= '0' && b <= '9' {
		if n, ok := p.tryUint(); ok {
			return int64(n), true
		}
	}
	at := p.at
	v := p.number("value")
	if p.failed {
		return 0, false
	}
	if n := int64(v); float64(n) == v && v < 1<<63 {
		return n, true
	}
	p.warn(at, "value %g is not a whole number; its name is left out", v)
	return 0, false
}
