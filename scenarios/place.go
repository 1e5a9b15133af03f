package scenarios

import (
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// inside maps a place in the value of a text, by line and column from 1, to its
// place in the file. Quotes, escapes, folded lines and the indentation of block
// texts are stepped over; columns are characters.
func (r *reader) inside(n ast.Node, value string, line, column int) (int, int) {
	offset := column - 1
	for i, l := range strings.Split(value, "\n") {
		if i == line-1 {
			break
		}
		offset += utf8.RuneCountInString(l) + 1
	}
	startLine, startColumn := place(n)
	if b, ok := n.(*ast.LiteralNode); ok {
		startLine, _ = place(n)
		return r.inBlock(b, startLine, line, column, offset)
	}
	quote := rune(0)
	switch n.GetToken().Type {
	case token.SingleQuoteType:
		quote = '\''
	case token.DoubleQuoteType:
		quote = '"'
	}
	return r.inFlow(startLine, startColumn, quote, offset)
}

// inBlock finds the place in a text that follows | or >.
func (r *reader) inBlock(b *ast.LiteralNode, start, line, column, offset int) (int, int) {
	at := start // the line after the indicator, as an index of src
	for at < len(r.src) && strings.TrimSpace(r.src[at]) == "" {
		at++
	}
	if at >= len(r.src) {
		return start, 1
	}
	indent := len(r.src[at]) - len(strings.TrimLeft(r.src[at], " "))
	if !strings.HasPrefix(b.Start.Value, ">") {
		return start + line, indent + column
	}
	for ; at < len(r.src)-1; at++ {
		n := utf8.RuneCountInString(strings.TrimSpace(r.src[at]))
		if offset <= n {
			break
		}
		offset -= n + 1
	}
	return at + 1, indent + 1 + offset
}

// inFlow walks a plain or quoted text from its beginning, one character of the
// value at a time.
func (r *reader) inFlow(line, column int, quote rune, offset int) (int, int) {
	if quote != 0 {
		column++
	}
	for line-1 < len(r.src) {
		rest := []rune(r.src[line-1])
		if column-1 > len(rest) {
			return line, column
		}
		text := rest[column-1:]
		for i := 0; i < len(text); i++ {
			if offset == 0 {
				return line, column + i
			}
			escaped := quote == '"' && text[i] == '\\' || quote == '\'' && text[i] == '\''
			if escaped && i+1 < len(text) {
				i++
			}
			offset--
		}
		if offset == 0 || line == len(r.src) {
			return line, column + len(text)
		}
		// A line that goes on: its break and indentation are one space.
		offset--
		line++
		column = len(r.src[line-1]) - len(strings.TrimLeft(r.src[line-1], " ")) + 1
	}
	return line, column
}
