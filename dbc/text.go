package dbc

import (
	"fmt"
	"sort"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// codePage1252 is what the bytes 80 to 9F are in Windows code page 1252 (Unicode
// Consortium, CP1252.TXT); the five it leaves undefined stay control characters, as the
// WHATWG encoding standard has it. The other bytes are Latin-1.
var codePage1252 = [32]rune{
	'€', 0x81, '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', 0x8D, 'Ž', 0x8F,
	0x90, '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', 0x9D, 'ž', 'Ÿ',
}

// source is the text of a file: valid UTF-8 with line feeds only.
type source struct {
	file  string
	text  string
	lines []int // where each line starts
}

func (s *source) index() {
	s.lines = append(s.lines[:0], 0)
	for i := range len(s.text) {
		if s.text[i] == '\n' {
			s.lines = append(s.lines, i+1)
		}
	}
}

// place turns an offset into line and column, both from 1.
func (s *source) place(at int) (line, column int) {
	line = sort.SearchInts(s.lines, at+1)
	return line, utf8.RuneCountInString(s.text[s.lines[line-1]:at]) + 1
}

func (s *source) placeOf(at int) Place {
	line, column := s.place(at)
	return Place{line, column}
}

// decode makes text of a file's bytes. notes are what was odd about them: text and
// offset of each.
func decode(data []byte) (text string, notes []note) {
	text = string(data)
	switch {
	case strings.HasPrefix(text, "\xEF\xBB\xBF"):
		text = text[3:]
		notes = append(notes, note{0, "starts with a byte order mark"})
	case strings.HasPrefix(text, "\xFF\xFE"), strings.HasPrefix(text, "\xFE\xFF"):
		text = fromUTF16(text[2:], text[0] == 0xFF)
		notes = append(notes, note{0, "text is UTF-16, want code page 1252"})
	}
	if strings.Contains(text, "\r") {
		at := strings.IndexByte(text, '\r')
		if text[at:] != "\r" && text[at+1] == '\n' {
			notes = append(notes, note{at, "lines end in carriage return and line feed"})
		} else {
			notes = append(notes, note{at, "line ends in a carriage return"})
		}
		text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
	}
	if strings.HasSuffix(strings.TrimRight(text, " \t\n"), "\x1A") {
		text = strings.TrimSuffix(strings.TrimRight(text, " \t\n"), "\x1A")
		notes = append(notes, note{len(text), "ends in control character 1A"})
	}
	if utf8.ValidString(text) {
		return text, notes
	}
	lines := strings.SplitAfter(text, "\n")
	var b strings.Builder
	first := true
	for _, l := range lines {
		if utf8.ValidString(l) {
			b.WriteString(l)
			continue
		}
		for i := range len(l) {
			if first && l[i] >= 0x80 {
				notes = append(notes, note{b.Len(), fmt.Sprintf("byte %02X is not UTF-8; read as code page 1252", l[i])})
				first = false
			}
			b.WriteRune(fromPage(l[i]))
		}
	}
	return b.String(), notes
}

// note is a remark about an offset of the text.
type note struct {
	at   int
	what string
}

func fromPage(c byte) rune {
	if c >= 0x80 && c < 0xA0 {
		return codePage1252[c-0x80]
	}
	return rune(c)
}

func fromUTF16(s string, little bool) string {
	units := make([]uint16, len(s)/2)
	for i := range units {
		a, b := uint16(s[2*i]), uint16(s[2*i+1])
		if little {
			a, b = b, a
		}
		units[i] = a<<8 | b
	}
	return string(utf16.Decode(units))
}
