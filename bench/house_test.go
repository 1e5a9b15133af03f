package bench_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The rules of the house that a compiler does not check. Each says why.

// sourceFile is one parsed file of the module, by its path from the top.
type sourceFile struct {
	name string
	ast  *ast.File
}

func sources(t *testing.T) []sourceFile {
	t.Helper()
	var files []sourceFile
	fset := token.NewFileSet()
	err := filepath.WalkDir("..", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (strings.HasPrefix(d.Name(), ".") && d.Name() != ".." || d.Name() == "bin" || d.Name() == "out") {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(name, ".go") {
			return nil
		}
		src, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		f, err := parser.ParseFile(fset, name, src, parser.ParseComments)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel("..", name)
		files = append(files, sourceFile{filepath.ToSlash(rel), f})
		return err
	})
	require.NoError(t, err)
	require.NotEmpty(t, files, "no sources found: this test would prove nothing")
	return files
}

func (f sourceFile) isTest() bool { return strings.HasSuffix(f.name, "_test.go") }

// imports lists the module's own packages that the file imports.
func (f sourceFile) imports() (own, other []string) {
	for _, i := range f.ast.Imports {
		p := strings.Trim(i.Path.Value, `"`)
		if rest, ok := strings.CutPrefix(p, "sawhorse/"); ok {
			own = append(own, rest)
		} else {
			other = append(other, p)
		}
	}
	return own, other
}

// within reports whether a package path is one of the folders or below one.
func within(pkg string, folders ...string) bool {
	return slices.ContainsFunc(folders, func(f string) bool {
		return pkg == f || strings.HasPrefix(pkg, f+"/")
	})
}

// The model and the protocols run the same in virtual and in wall time only if
// they know no clock, no goroutine, no global chance and no outside world.
var pure = []string{
	"canbus/isotp", "canbus/wire", "canbus/alter", "bench/signal", "bench/car", "bench/ecu", "bench/fault",
	"bench/judge", "bench/trace", "cmd/demotool/tester",
}

func TestTheCoreIsPure(t *testing.T) {
	forbidden := []string{"net", "os/exec", "os/signal", "math/rand", "log", "log/slog", "net/http", "golang.org/x/sys/unix"}
	for _, f := range sources(t) {
		if f.isTest() || !within(path.Dir(f.name), pure...) {
			continue
		}
		_, other := f.imports()
		for _, imp := range other {
			require.NotContains(t, forbidden, imp, "%s: the core has no business with it", f.name)
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			if _, ok := n.(*ast.GoStmt); ok {
				t.Errorf("%s starts a goroutine: one loop owns the model", f.name)
			}
			return true
		})
	}
}

// Time is given: whoever reads a clock beside the loop's breaks virtual time.
func TestOnlyTheClockReadsAClock(t *testing.T) {
	calls := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick"}
	// Shells outside the loop: sockets' deadlines, the process's grace, the
	// command line and the file names of a daemon's recordings.
	shells := []string{"canbus/clock", "canbus/hub", "canbus/socketcan", "canbus/lane", "bench/tool", "bench/api", "cmd/sawhorse", "cmd/demotool", "deploy/examples"}
	for _, f := range sources(t) {
		pkg := path.Dir(f.name)
		if f.isTest() || within(pkg, shells...) && !within(pkg, pure...) {
			continue
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if x, ok := sel.X.(*ast.Ident); ok && x.Name == "time" && x.Obj == nil && slices.Contains(calls, sel.Sel.Name) {
				t.Errorf("%s calls time.%s: only canbus/clock reads a clock", f.name, sel.Sel.Name)
			}
			return true
		})
	}
}

// Imports follow the arrows of the house, so that a part can be understood,
// tested and replaced without what stands above it.
func TestImportsFollowTheArrows(t *testing.T) {
	arrows := []struct {
		from string
		may  []string
	}{
		{"canbus", []string{"canbus"}},
		{"dbc", []string{"canbus", "dbc"}},
		{"testdata", nil},
		{"bench/signal", nil},
		{"bench/depth", nil},
		{"bench/nearest", nil},
		{"bench/format", nil},
		{"bench/task", nil},
		{"bench/chance", nil},
		{"bench/car", []string{"bench/car", "bench/nearest", "bench/depth", "bench/format", "bench/signal", "bench/chance", "canbus", "dbc"}},
		{"bench/ecu", []string{"bench/ecu", "bench/car", "bench/signal", "bench/chance", "canbus", "dbc"}},
		{"bench/fault", []string{"bench/fault", "bench/nearest", "bench/car", "bench/ecu", "bench/signal", "bench/chance", "canbus", "dbc"}},
		{"bench/tool", []string{"bench/tool", "bench/task", "bench/depth", "bench/format", "canbus"}},
		{"bench/judge", []string{"bench/judge", "bench/task", "bench/tool", "bench/signal", "canbus"}},
		{"bench/trace", []string{"bench/trace", "bench/judge", "bench/signal", "canbus"}},
		{"bench/report", []string{"bench/report", "bench/format", "bench/trace", "bench/judge", "bench/tool", "bench/signal", "canbus"}},
		{"bench/batch", []string{"bench/batch"}},
		{"bench/metrics", []string{"bench/metrics", "bench/judge", "canbus"}},
		{"scenarios", []string{"scenarios", "bench/task", "bench/depth", "bench/format", "bench/judge", "bench/tool", "testdata"}},
		{"cmd/demotool", []string{"canbus", "cmd/demotool"}},
	}
	for _, f := range sources(t) {
		if f.isTest() {
			continue
		}
		own, _ := f.imports()
		for _, a := range arrows {
			if !within(path.Dir(f.name), a.from) {
				continue
			}
			for _, imp := range own {
				require.True(t, within(imp, a.may...), "%s imports %s; %s may import %v", f.name, imp, a.from, a.may)
			}
		}
		for _, imp := range own {
			require.False(t, within(path.Dir(f.name), "bench") && within(imp, "cmd"), "%s imports %s from above", f.name, imp)
		}
	}
}

// A package without a comment is a room without a name.
func TestEveryPackageIsDocumented(t *testing.T) {
	documented := map[string]bool{}
	for _, f := range sources(t) {
		if f.isTest() {
			continue
		}
		dir := path.Dir(f.name)
		documented[dir] = documented[dir] || f.ast.Doc != nil
	}
	for dir, ok := range documented {
		require.True(t, ok, "package in %s has no comment", dir)
	}
}
