package depth_test

import (
	"strings"
	"testing"

	"github.com/goccy/go-yaml/lexer"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/depth"
)

func TestWhatPeopleWriteIsNotTooDeep(t *testing.T) {
	text := "a:\n  - b: [1, {c: [2, [3]]}]\n  - - d\n" + strings.Repeat("  - {e: [1]}\n", 500)
	require.Nil(t, depth.Exceeded(lexer.Tokenize(text)))
}

func TestBombsAreFoundWhereTheyBegin(t *testing.T) {
	for _, text := range []string{
		strings.Repeat("[", 1000), strings.Repeat("{a: ", 1000), strings.Repeat("- ", 1000), "x: 1\n" + strings.Repeat("&a ", 1000),
	} {
		at := depth.Exceeded(lexer.Tokenize(text))
		require.NotNil(t, at, "%.10s", text)
		require.Less(t, at.Position.Column, 200)
	}
}
