// Package depth bounds how deep a YAML file may nest, before it is parsed: the
// parser's memory grows with the square of the depth, so a megabyte of brackets
// would take gigabytes.
package depth

import "github.com/goccy/go-yaml/token"

// Most is how deep brackets may nest, and how many marks of nesting may stand on
// one line. Nothing that people write comes near.
const Most = 32

// Exceeded is the token that nests too deep; nil if none does.
func Exceeded(tokens token.Tokens) *token.Token {
	brackets, marks, line := 0, 0, 0
	for _, t := range tokens {
		if t.Position.Line != line {
			line, marks = t.Position.Line, 0
		}
		switch t.Type {
		case token.SequenceStartType, token.MappingStartType:
			brackets++
		case token.SequenceEndType, token.MappingEndType:
			brackets--
		case token.SequenceEntryType, token.MappingKeyType, token.AnchorType, token.TagType, token.AliasType:
			marks++
		}
		if brackets > Most || marks > Most {
			return t
		}
	}
	return nil
}
