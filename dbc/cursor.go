package dbc

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"
)

// cursor reads the text of a file piece by piece. After a failure all its methods do
// nothing until the statement ends, so that a statement is read without a check at
// every piece. What may follow depends on the place: a name may have characters that end
// a number. So there is no list of tokens.
type cursor struct {
	source
	at     int
	failed bool

	// usable has errors leave out what they are about, instead of refusing the file.
	usable bool

	errors   Errors
	warnings []Warning
}

// fail records that the text at an offset is not what was expected.
func (c *cursor) fail(at int, format string, args ...any) {
	if c.failed {
		return
	}
	c.failed = true
	c.refuse(at, format, args...)
}

// refuse records an error that does not end the statement.
func (c *cursor) refuse(at int, format string, args ...any) {
	if c.usable {
		failed := c.failed
		c.failed = false
		c.warn(at, format+"; left out", args...)
		c.failed = failed
		return
	}
	if len(c.errors) < maxErrors {
		line, column := c.place(at)
		c.errors = append(c.errors, &Error{c.file, line, column, fmt.Sprintf(format, args...)})
	}
}

// maxWarnings bounds the list, as a damaged file could have one for each byte.
const maxWarnings = 10_000

func (c *cursor) warn(at int, format string, args ...any) {
	if !c.failed && len(c.warnings) < maxWarnings {
		line, column := c.place(at)
		c.warnings = append(c.warnings, Warning{c.file, line, column, fmt.Sprintf(format, args...)})
	}
}

func (c *cursor) more() bool { return !c.failed && c.at < len(c.text) }

func isBlank(b byte) bool { return b == ' ' || b == '\t' || b == '\v' || b == '\f' }

// blank skips white space within the line.
func (c *cursor) blank() {
	for c.more() && isBlank(c.text[c.at]) {
		c.at++
	}
}

// space skips white space and line ends.
func (c *cursor) space() {
	for c.more() && (isBlank(c.text[c.at]) || c.text[c.at] == '\n') {
		c.at++
	}
}

// next is the next character after white space; 0 at the end.
func (c *cursor) next() byte {
	c.space()
	if !c.more() {
		return 0
	}
	return c.text[c.at]
}

// found is what stands at an offset, for messages.
func (c *cursor) found(at int) string {
	rest := c.text[at:]
	if rest == "" {
		return "the end of the file"
	}
	if rest[0] == '\n' {
		return "the end of the line"
	}
	const stops = " \t\n;,:|()[]\"@"
	if strings.IndexByte(stops, rest[0]) >= 0 {
		rest = rest[:1]
	} else if n := strings.IndexAny(rest, stops); n >= 0 {
		rest = rest[:n]
	}
	return strconv.Quote(short(rest))
}

// short cuts a long text for a message.
func short(s string) string {
	if len(s) <= 40 {
		return s
	}
	s = s[:40]
	for !utf8.ValidString(s) {
		s = s[:len(s)-1]
	}
	return s + "..."
}

// punct takes the character b.
func (c *cursor) punct(b byte) {
	if !c.maybe(b) {
		c.fail(c.at, "%s, want %q", c.found(c.at), string(b))
	}
}

// maybe takes the character b if it is next.
func (c *cursor) maybe(b byte) bool {
	if c.next() == b {
		c.at++
		return true
	}
	return false
}

// word takes what stands before white space or one of the characters of stop.
func (c *cursor) word(stop string) (word string, at int) {
	c.space()
	at = c.at
	for c.more() && !isBlank(c.text[c.at]) && c.text[c.at] != '\n' && strings.IndexByte(stop, c.text[c.at]) < 0 {
		c.at++
	}
	return c.text[at:c.at], at
}

// Characters that end a number, and a name.
const (
	numberStops = `:;,|@()[]"`
	nameStops   = `:;,"`
)

var goodName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

// longestName is the format's limit for names in characters.
const longestName = 32

// name takes a name; declared says that this is where it is given.
func (c *cursor) name(what string, declared bool) (string, int) {
	s, at := c.word(nameStops)
	if s == "" {
		c.fail(at, "%s, want the name of a %s", c.found(at), what)
		return "", at
	}
	if declared {
		if !goodName.MatchString(s) {
			c.warn(at, "name %q of a %s is not letters, digits and _", short(s), what)
		}
		if n := utf8.RuneCountInString(s); n > longestName {
			c.warn(at, "name %q of a %s has %d characters, want at most %d", short(s), what, n, longestName)
		}
	}
	return s, at
}

var goodNumber = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?([eE][-+]?[0-9]+)?$`)
var oddNumber = regexp.MustCompile(`^[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eEdD][-+]?[0-9]+)?$`)
var noNumber = regexp.MustCompile(`(?i)^[-+]?(1\.#(inf|ind|qnan|snan)[0-9]*|inf(inity)?|nan)$`)

// number takes a number in any notation; what names it.
func (c *cursor) number(what string) float64 {
	s, at := c.word(numberStops)
	switch {
	case goodNumber.MatchString(s):
	case oddNumber.MatchString(s):
		c.warn(at, "%s written as %q", what, short(s))
		s = strings.Map(func(r rune) rune {
			if r == 'd' || r == 'D' {
				return 'e'
			}
			return r
		}, s)
	default:
		if n, err := strconv.ParseInt(s, 0, 64); err == nil && strings.ContainsAny(s, "xX") {
			c.warn(at, "%s written in hexadecimal: %q", what, short(s))
			return float64(n)
		}
		if noNumber.MatchString(s) {
			return c.endless(s, at, what)
		}
		c.fail(at, "%s %s, want a number", what, c.found(at))
		return 0
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		c.fail(at, "%s %s is too large, want a 64-bit float", what, c.found(at))
		return 0
	}
	return v
}

// endless reads an infinite value or NaN, which programs write for a limit that is none.
func (c *cursor) endless(s string, at int, what string) float64 {
	if what != "minimum" && what != "maximum" {
		c.fail(at, "%s %s, want a finite number", what, c.found(at))
		return 0
	}
	c.warn(at, "%s written as %q; read as no limit", what, s)
	return math.NaN()
}

// count takes a whole number from 0 on.
func (c *cursor) count(what string) (uint64, int) {
	s, at := c.word(numberStops)
	if n, err := strconv.ParseUint(s, 10, 64); err == nil {
		return n, at
	}
	if n, err := strconv.ParseUint(s, 0, 64); err == nil && strings.ContainsAny(s, "xX") && !strings.Contains(s, "_") {
		c.warn(at, "%s written in hexadecimal: %q", what, s)
		return n, at
	}
	if v, err := strconv.ParseFloat(s, 64); err == nil && oddNumber.MatchString(s) && v >= 0 && v <= 1<<53 && v == math.Trunc(v) {
		c.warn(at, "%s written as %q", what, s)
		return uint64(v), at
	}
	c.fail(at, "%s %s, want a whole number", what, c.found(at))
	return 0, at
}

// quoted takes a text in quotes; \" is a quote inside it. In a line means that it ends
// with its line. last says that a semicolon must follow, which tells its last quote from
// others.
func (c *cursor) quoted(what string, inLine, last bool) string {
	if c.next() != '"' {
		c.fail(c.at, "%s %s, want text in quotes", what, c.found(c.at))
		return ""
	}
	open := c.at
	end := len(c.text)
	if inLine {
		if n := strings.IndexByte(c.text[open:], '\n'); n >= 0 {
			end = open + n
		}
	}
	warned := false
	for i := open + 1; i < end; i++ {
		switch c.text[i] {
		case '\n':
			if startsStatement(strings.TrimLeft(c.text[i+1:], " \t")) {
				c.fail(open, "%s without its closing quote", what)
				return ""
			}
		case '\\':
			if i+1 < end && c.text[i+1] == '"' && !c.closes(i+1, end, inLine, last) {
				i++
			}
		case '"':
			if last && !c.closes(i, end, inLine, last) {
				if !warned {
					c.warn(i, "a quote inside the %s", what)
					warned = true
				}
				continue
			}
			c.at = i + 1
			return strings.ReplaceAll(c.text[open+1:i], `\"`, `"`)
		}
	}
	c.fail(open, "%s without its closing quote", what)
	return ""
}

// closes reports whether the quote at i can be the text's last: no other follows on its
// line, or, for a text that ends its statement, a semicolon or the next statement does.
func (c *cursor) closes(i, end int, inLine, last bool) bool {
	if inLine {
		return strings.IndexByte(c.text[i+1:end], '"') < 0
	}
	if !last {
		return false
	}
	rest := strings.TrimLeft(c.text[i+1:], " \t\n")
	if rest == "" || rest[0] == ';' {
		return true
	}
	skipped := c.text[i+1 : len(c.text)-len(rest)]
	return strings.Contains(skipped, "\n") && startsStatement(rest)
}
