package strict

import (
	"io/fs"
	"os"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// dataFiles are the data files of the program.
func dataFiles(t testing.TB, of string) []string {
	t.Helper()
	var names []string
	require.NoError(t, fs.WalkDir(os.DirFS(of), ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && strings.HasSuffix(name, ".yaml") {
			names = append(names, name)
		}
		return err
	}))
	require.NotEmpty(t, names)
	return names
}

// What is packed comes out as it was parsed, places and all.
func TestPackedTreesAreThoseOfTheFiles(t *testing.T) {
	for _, root := range []string{"..", "../../fault", "../../../scenarios"} {
		fsys := os.DirFS(root)
		names := dataFiles(t, root)
		data, err := Pack(fsys, names)
		if root == "../../../scenarios" && err != nil {
			continue // its testdata hold broken ones on purpose
		}
		require.NoError(t, err)
		files := Packed(fsys, string(data))
		for _, name := range names {
			text, err := fs.ReadFile(fsys, name)
			require.NoError(t, err)
			want, err := parse(name, text)
			require.NoError(t, err)
			got, ok := files.find(name, text)
			require.True(t, ok, name)
			assert.Equal(t, want, got, name)
			_, ok = files.find(name, append(text, '\n'))
			assert.False(t, ok, "a file that was changed is parsed")
		}
	}
}

// A tree that is damaged is none: the file is parsed.
func TestADamagedTreeIsLeftAlone(t *testing.T) {
	fsys := fstest.MapFS{"a.yaml": {Data: []byte("name: [1, -2, 3.5, {x: true, y: }]\n")}}
	data, err := Pack(fsys, []string{"a.yaml"})
	require.NoError(t, err)
	for cut := range data {
		src, err := Open(Packed(fsys, string(data[:cut])), "a.yaml", "a.yaml")
		require.NoError(t, err)
		assert.Nil(t, src.tree, "%d of %d bytes", cut, len(data))
		var v any
		_, err = src.Decode(&v)
		require.NoError(t, err)
		assert.Equal(t, map[string]any{"name": []any{uint64(1), int64(-2), 3.5, map[string]any{"x": true, "y": nil}}}, v)
	}
}

func TestAliasesAreBounded(t *testing.T) {
	var b strings.Builder
	b.WriteString("a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n")
	for i := 1; i < 12; i++ {
		prev := string(rune('a'+i-1)) + "0"
		if i == 1 {
			prev = "a0"
		}
		name := string(rune('a'+i)) + "0"
		b.WriteString(name + ": &" + name + " [" + strings.Repeat("*"+prev+", ", 9) + "*" + prev + "]\n")
	}
	var v any
	_, err := Read("x.yaml", []byte(b.String()), &v)
	assert.ErrorContains(t, err, "too long with its aliases written out, want at most 200000 values")
	_, err = Read("x.yaml", []byte("a: &a [*a]\n"), &v)
	assert.ErrorContains(t, err, `x.yaml:1:8: alias "a", want the name of an anchor before it`)
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("a: &x {b: 1, c: [0x10, 1e3, -4, ~, 'q', \"w\"]}\nd: {<<: *x, b: 2}\n"))
	f.Add([]byte("a: |\n  text\n  more\nb: .inf\n"))
	// Whatever is read comes out of a pack as it went in.
	f.Fuzz(func(t *testing.T, data []byte) {
		tr, err := parse("x.yaml", data)
		if err != nil {
			var e *Error
			require.ErrorAs(t, err, &e)
			return
		}
		back, ok := unpack(string(tr.pack()))
		require.True(t, ok)
		require.Equal(t, tr, back)
		var v any
		_, err = decode("x.yaml", tr, &v)
		require.NoError(t, err)
	})
}
