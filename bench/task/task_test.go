package task

import (
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
)

// No entry of the lists is empty or there twice: a second one would never be found.
func TestTheListsHoldEachEntryOnce(t *testing.T) {
	word := regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	names, arguments := map[string]bool{}, map[string]bool{}
	for _, x := range All() {
		require.Regexp(t, word, x.Name)
		require.NotEmpty(t, x.Says, x.Name)
		require.False(t, names[x.Name], x.Name)
		names[x.Name] = true
		if x.Argument == nil {
			continue
		}
		require.Regexp(t, word, x.Argument.Name)
		require.False(t, arguments[x.Argument.Name], "argument %s of two tasks", x.Argument.Name)
		arguments[x.Argument.Name] = true
		once(t, x.Argument.Words, word)
		found, ok := FindArgument(x.Argument.Name)
		require.True(t, ok)
		require.Equal(t, *x.Argument, found)
	}
	require.Len(t, Names(), len(names))
	_, ok := Find("nothing")
	require.False(t, ok)
}

func TestTheFieldsAreEachThereOnce(t *testing.T) {
	var all Fields
	seen := map[string]bool{}
	for _, f := range EachField() {
		require.False(t, all.Has(f.Field), f.Name)
		all |= f.Field
		for _, name := range []string{"name " + f.Name, "key " + f.Key, "group " + f.Group} {
			require.False(t, seen[name], name)
			seen[name] = true
		}
		require.Equal(t, f.Shape == Word || f.Shape == Named, len(f.Words) > 0, f.Name)
		once(t, f.Words, regexp.MustCompile(`^[a-z]+$`))
		found, ok := FieldOf(f.Name)
		require.True(t, ok)
		require.Equal(t, f, found)
	}
	require.Equal(t, Calibrations<<1-1, all, "a field without an entry is one that nobody can say")
}

func once(t *testing.T, words []string, form *regexp.Regexp) {
	t.Helper()
	seen := map[string]bool{}
	for _, w := range words {
		require.Regexp(t, form, w)
		require.False(t, seen[w], w)
		seen[w] = true
	}
}

// A field has one state, the last that it was given.
func TestStates(t *testing.T) {
	var s States
	for _, f := range EachField() {
		require.Equal(t, NotSaid, s.Of(f.Field))
		for _, to := range []State{Said, Empty, Unknown, NotSaid, Unknown} {
			s.Set(f.Field, to)
			require.Equal(t, to, s.Of(f.Field), f.Name)
			require.Equal(t, to == Said || to == Empty, s.Known().Has(f.Field), f.Name)
			require.Equal(t, to == Unknown, s.NotKnown().Has(f.Field), f.Name)
		}
	}
	require.Equal(t, "said not to be known", Unknown.String())
	require.Equal(t, "not said", NotSaid.String())
}
