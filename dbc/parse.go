package dbc

import (
	"regexp"
	"slices"
	"strings"

	"sawhorse/canbus"
)

// parser reads the statements of one file into a network.
//
// What refers to messages and signals is put off until all are known: the order of
// statements is a habit of writers, not something the meaning hangs on.
type parser struct {
	cursor
	net *Network
	// message takes the SG_ lines; nil outside of a message. away is set if that one was
	// left out of the network.
	message *Message
	away    bool
	later   []func()
	// Places of what was declared, for messages about it.
	messageAt map[*Message]int
	signalAt  map[*Signal]int
	muxOf     map[*Signal]muxMark
	extended  map[*Signal]selection
	roles     []role
	// leftOut are messages and signals that were read and left out: what refers to them
	// is no surprise.
	leftOut     map[canbus.Key]bool
	leftSignals map[signalName]bool
	unclear     map[*Signal]bool // to be left out, as errors found late are about them
	signals     map[signalName]*Signal
	tables      map[string][]Value
	attributes  map[string]*attribute
	defaults    map[string]map[string]string // by kind of object and attribute
	strangers   map[string]bool              // nodes that BU_ does not list, told once
	seen        map[string]bool              // keywords
}

type signalName struct {
	key  canbus.Key
	name string
}

// statements are the keywords that are read. Those of skipped are known to the format
// and hold nothing of ours: groups, environment variables, relations of nodes.
var statements map[string]func(*parser)

var skipped = []string{
	"NS_DESC_", "CAT_DEF_", "CAT_", "FILTER", "EV_", "EV_DATA_", "ENVVAR_DATA_", "SGTYPE_", "SGTYPE_VAL_",
	"BA_DEF_SGTYPE_", "BA_SGTYPE_", "SIG_TYPE_REF_", "SIG_GROUP_", "SIGTYPE_VALTYPE_", "BA_DEF_REL_", "BA_REL_",
	"BA_DEF_DEF_REL_", "BU_SG_REL_", "BU_EV_REL_", "BU_BO_REL_",
}

func init() { // not a literal: the methods refer to the map
	statements = map[string]func(*parser){
		"VERSION":      (*parser).version,
		"NS_":          (*parser).symbols,
		"BS_":          (*parser).timing,
		"BU_":          (*parser).nodes,
		"VAL_TABLE_":   (*parser).valueTable,
		"BO_":          (*parser).messageLine,
		"SG_":          (*parser).signalLine,
		"BO_TX_BU_":    (*parser).senders,
		"CM_":          (*parser).comment,
		"BA_DEF_":      (*parser).attributeDefinition,
		"BA_DEF_DEF_":  (*parser).attributeDefault,
		"BA_":          (*parser).attributeValue,
		"VAL_":         (*parser).values,
		"SIG_VALTYPE_": (*parser).valueType,
		"SG_MUL_VAL_":  (*parser).selectors,
	}
	for _, k := range skipped {
		statements[k] = (*parser).skip
	}
}

func isKeyword(s string) bool { return statements[s] != nil }

func firstWord(s string) string {
	if n := strings.IndexAny(s, " \t\n:;"); n >= 0 {
		return s[:n]
	}
	return s
}

// startsStatement tells the start of a statement from the text of a comment: all
// keywords but two end as no word of a language does.
func startsStatement(s string) bool {
	w := firstWord(s)
	return strings.HasSuffix(w, "_") && isKeyword(w)
}

// Parse reads the text of a .dbc file; name is for messages. A file that is refused
// gives Errors.
func Parse(name string, data []byte) (*Network, error) { return parse(name, data, false) }

// ParseUsable reads what can be used of a file: an entry that Parse would refuse the file
// for is left out, with a warning that names it. A file of which nothing is left gives
// Errors.
func ParseUsable(name string, data []byte) (*Network, error) { return parse(name, data, true) }

func parse(name string, data []byte, usable bool) (*Network, error) {
	text, notes := decode(data)
	p := &parser{
		cursor: cursor{source: source{file: name, text: text}, usable: usable},
		net: &Network{
			File: name, byKey: map[canbus.Key]*Message{}, byName: map[string]*Message{}, byNode: map[string]*Node{},
		},
		messageAt: map[*Message]int{}, signalAt: map[*Signal]int{}, muxOf: map[*Signal]muxMark{},
		leftOut: map[canbus.Key]bool{}, leftSignals: map[signalName]bool{}, unclear: map[*Signal]bool{},
		signals: map[signalName]*Signal{}, extended: map[*Signal]selection{},
		tables: map[string][]Value{}, attributes: map[string]*attribute{}, defaults: map[string]map[string]string{},
		strangers: map[string]bool{}, seen: map[string]bool{},
	}
	p.index()
	for _, n := range notes {
		p.warn(n.at, "%s", n.what)
	}
	for p.next() != 0 && len(p.errors) < maxErrors {
		p.statement()
	}
	p.finish()
	if len(p.errors) > 0 {
		slices.SortStableFunc(p.errors, func(a, b *Error) int { return byPlace(a.Line, a.Column, b.Line, b.Column) })
		return nil, p.errors
	}
	slices.SortStableFunc(p.warnings, func(a, b Warning) int { return byPlace(a.Line, a.Column, b.Line, b.Column) })
	p.net.Warnings = p.warnings
	return p.net, nil
}

func byPlace(line, column, line2, column2 int) int {
	if line != line2 {
		return line - line2
	}
	return column - column2
}

// oddKeyword is what a keyword that we do not know looks like.
var oddKeyword = regexp.MustCompile(`^[A-Z][A-Z0-9_]*_$`)

// statement reads one, and after a failure goes on with the next.
func (p *parser) statement() {
	p.failed = false
	start := p.at
	word, at := p.word(numberStops)
	read := statements[word]
	switch {
	case read != nil:
		if word != "SG_" {
			p.message = nil
		}
		p.seen[word] = true
		read(p)
	case strings.HasPrefix(word, "//"):
		p.warn(at, "a line of comment in the manner of a programming language")
		p.line()
	case oddKeyword.MatchString(word) && p.startsLine(at):
		p.warn(at, "keyword %q is not of the format; left out", short(word))
		p.skip()
	default:
		p.fail(at, "%s, want a keyword such as BO_, SG_ or CM_", p.found(at))
	}
	if p.failed {
		p.failed = false
		p.resume(max(p.at, start+1))
	}
}

// startsLine reports whether only white space is before an offset in its line.
func (p *parser) startsLine(at int) bool {
	line, _ := p.place(at)
	return strings.TrimLeft(p.text[p.lines[line-1]:at], " \t") == ""
}

// line skips the rest of the line.
func (p *parser) line() string {
	at := p.at
	n := strings.IndexByte(p.text[at:], '\n')
	if n < 0 {
		n = len(p.text) - at
	}
	p.at = at + n
	return p.text[at:p.at]
}

// resume goes on at the next line from an offset that starts with a keyword.
func (p *parser) resume(from int) {
	line, _ := p.place(min(from, len(p.text)))
	for ; line < len(p.lines); line++ {
		if rest := strings.TrimLeft(p.text[p.lines[line]:], " \t"); isKeyword(firstWord(rest)) {
			p.at = len(p.text) - len(rest)
			return
		}
	}
	p.at = len(p.text)
}

// skip goes behind the semicolon of a statement that is not read, or before the next
// statement if that comes first.
func (p *parser) skip() {
	inText := false
	for ; p.at < len(p.text); p.at++ {
		switch b := p.text[p.at]; {
		case b == '\n' && startsStatement(strings.TrimLeft(p.text[p.at+1:], " \t")):
			return
		case b == '"':
			inText = !inText
		case b == ';' && !inText:
			p.at++
			return
		}
	}
}

// end takes the semicolon of a statement.
func (p *parser) end() {
	at := p.at
	if p.maybe(';') || p.failed {
		return
	}
	if p.at >= len(p.text) || p.startsLine(p.at) && isKeyword(firstWord(p.text[p.at:])) {
		p.warn(at, "no semicolon at the end of the statement")
		return
	}
	p.fail(p.at, "%s, want %q", p.found(p.at), ";")
}
