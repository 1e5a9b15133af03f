package bench_test

import (
	"fmt"
	"go/ast"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/tools/go/packages"
)

// The rules of the house that a compiler does not check, by types: a renamed import or a
// dot before a name hides nothing. Each rule says why, and has a canary under
// testdata/house: a small package that breaks it, in which every line marked "broken"
// must be found and no other.

const (
	module   = "sawhorse/"
	canaries = module + "bench/testdata/house/"
)

// loaded are all packages of the module with their syntax and types, tests left out, and
// the canaries: one load for all rules.
var loaded = sync.OnceValues(func() (map[string]*packages.Package, error) {
	if err := seeFolders(); err != nil {
		return nil, err
	}
	list, err := packages.Load(&packages.Config{Mode: packages.LoadSyntax, Dir: ".."}, "./...", "./testdata/captures", "./bench/testdata/house/...")
	byPath := map[string]*packages.Package{}
	for _, p := range list {
		for _, e := range p.Errors {
			return nil, e
		}
		byPath[p.PkgPath] = p
	}
	return byPath, err
})

// seeFolders reads the module's folders in this process: the load does it in another, and
// go test would give an old result where a file is new.
func seeFolders() error {
	return filepath.WalkDir("..", func(name string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() && (d.Name() != ".." && strings.HasPrefix(d.Name(), ".") || d.Name() == "bin" || d.Name() == "out") {
			return filepath.SkipDir
		}
		return err
	})
}

// house are the module's packages by their folder from the top, sorted.
func house(t *testing.T) []*packages.Package {
	t.Helper()
	all, err := loaded()
	require.NoError(t, err)
	var list []*packages.Package
	for path, p := range all {
		if !strings.HasPrefix(path, canaries) {
			list = append(list, p)
		}
	}
	require.NotEmpty(t, list, "no packages found: this test would prove nothing")
	slices.SortFunc(list, func(a, b *packages.Package) int { return strings.Compare(a.PkgPath, b.PkgPath) })
	return list
}

func folder(p *packages.Package) string { return strings.TrimPrefix(p.PkgPath, module) }

// within reports whether a folder is one of the others or below one.
func within(pkg string, folders ...string) bool {
	return slices.ContainsFunc(folders, func(f string) bool {
		return pkg == f || strings.HasPrefix(pkg, f+"/")
	})
}

// exist fails for a name in a list that is no folder with a package: what it was to hold
// is held no longer.
func exist(t *testing.T, list string, names ...string) {
	t.Helper()
	for _, n := range names {
		require.True(t, slices.ContainsFunc(house(t), func(p *packages.Package) bool { return within(folder(p), n) }),
			"%s names %q, and there is no such package", list, n)
	}
}

// finding is a place at which a rule is broken. what names the thing without its place,
// for lists of exceptions.
type finding struct {
	at         token.Pos
	what, text string
}

// rule looks at one package.
type rule func(p *packages.Package) []finding

// where is a place from the top of the module.
func where(p *packages.Package, at token.Pos) string {
	pos := p.Fset.Position(at)
	return fmt.Sprintf("%s/%s:%d", folder(p), filepath.Base(pos.Filename), pos.Line)
}

// exceptions are what a rule lets pass, by "folder what", with the reason.
type exceptions map[string]string

// unneeded tells of an entry in a list that nothing needs any more: lists only shrink. It
// fails in CI; who is in the middle of a change is told.
func unneeded(t *testing.T, needed bool, format string, args ...any) {
	t.Helper()
	switch {
	case needed:
	case os.Getenv("CI") != "":
		t.Errorf(format, args...)
	default:
		t.Logf(format, args...)
	}
}

// hold tells every breach of a rule in the packages, and every exception that nothing
// needs any more.
func hold(t *testing.T, why string, look rule, pass exceptions, packages []*packages.Package) {
	t.Helper()
	used := map[string]bool{}
	for _, p := range packages {
		for _, f := range look(p) {
			key := folder(p) + " " + f.what
			if _, ok := pass[key]; ok {
				used[key] = true
				continue
			}
			t.Errorf("%s %s: %s", where(p, f.at), f.text, why)
		}
	}
	for key, reason := range pass {
		assert.NotEmpty(t, reason, "the exception for %s has no reason", key)
		unneeded(t, used[key], "the exception for %s is not needed any more: take it out", key)
	}
}

// canary shows that a rule can fail: in the package of its name it finds each line that
// ends in "// broken", and nothing else.
func canary(t *testing.T, name string, look rule) {
	t.Helper()
	all, err := loaded()
	require.NoError(t, err)
	p := all[canaries+name]
	require.NotNil(t, p, "testdata/house/%s is missing: nothing shows that this rule can fail", name)
	want, got := map[int]bool{}, map[int]bool{}
	for _, f := range p.Syntax {
		for _, g := range f.Comments {
			for _, c := range g.List {
				if strings.HasSuffix(c.Text, "// broken") {
					want[p.Fset.Position(c.Pos()).Line] = true
				}
			}
		}
	}
	for _, f := range look(p) {
		got[p.Fset.Position(f.at).Line] = true
	}
	require.NotEmpty(t, want)
	require.Equal(t, want, got, "lines found in testdata/house/%s", name)
}

// core runs the same in virtual and in wall time only if it knows no clock, no goroutine,
// no chance of its own and no outside world.
var core = []string{
	"canbus/isotp", "canbus/wire", "canbus/alter", "canbus/uds", "canbus/diag", "dbc",
	"bench/signal", "bench/chance", "bench/car", "bench/ecu", "bench/fault", "bench/judge", "bench/trace",
	"cmd/demotool/tester",
}

func coreOf(t *testing.T) []*packages.Package {
	t.Helper()
	exist(t, "core", core...)
	return slices.DeleteFunc(house(t), func(p *packages.Package) bool {
		return !within(folder(p), core...) || p.Imports["testing"] != nil // helpers of tests
	})
}

// A package without a comment is a room without a name.
func TestEveryPackageIsDocumented(t *testing.T) {
	undocumented := func(p *packages.Package) []finding {
		if len(p.Syntax) == 0 || slices.ContainsFunc(p.Syntax, func(f *ast.File) bool { return f.Doc != nil }) {
			return nil
		}
		return []finding{{p.Syntax[0].Name.Pos(), "comment", "has no package comment"}}
	}
	canary(t, "undocumented", undocumented)
	hold(t, "say what may live in it", undocumented, nil, house(t))
}
