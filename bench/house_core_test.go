package bench_test

import (
	"go/ast"
	"go/token"
	"go/types"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/tools/go/packages"
)

// allowed are the packages from outside that the core may import, with the reason.
// Nothing in it reads a clock, starts a goroutine or knows the outside world.
var allowed = map[string]string{
	"bufio":           "streams into a writer that is given",
	"bytes":           "pure",
	"cmp":             "pure",
	"iter":            "pure: sequences; those over maps are looked at below",
	"crypto/sha256":   "pure: derives generators by name",
	"encoding":        "pure: interfaces of what reads itself from text",
	"embed":           "data that is compiled in",
	"encoding/binary": "pure",
	"encoding/hex":    "pure",
	"encoding/json":   "pure; maps come out sorted",
	"errors":          "pure",
	"fmt":             "pure, but for what prints: that is forbidden below",
	"hash/crc32":      "pure",
	"io":              "readers and writers that are given",
	"io/fs":           "file systems that are given, or compiled in",
	"maps":            "pure; iterators are looked at below",
	"math":            "pure; what differs between machines is in bench/car/exact",
	"math/bits":       "pure",
	"math/rand/v2":    "generators that are given; the global one is forbidden below",
	"path":            "pure",
	"reflect":         "tables of struct fields, read once",
	"regexp":          "pure",
	"slices":          "pure",
	"sort":            "pure",
	"strconv":         "pure",
	"strings":         "pure",
	"time":            "durations; clocks are forbidden below",
	"unicode/utf16":   "pure",
	"unicode/utf8":    "pure",
	"sync":            "OnceValue and its like, to read what is compiled in when it is first wanted; the rest is forbidden below",

	"github.com/goccy/go-yaml":                  "reads YAML with places",
	"github.com/goccy/go-yaml/ast":              "the same",
	"github.com/goccy/go-yaml/lexer":            "the same",
	"github.com/goccy/go-yaml/parser":           "the same",
	"github.com/goccy/go-yaml/token":            "the same",
	"github.com/google/cel-go/cel":              "conditions of scenarios",
	"github.com/google/cel-go/common/ast":       "the same",
	"github.com/google/cel-go/common/operators": "the same",
	"github.com/google/cel-go/common/types":     "the same",
	"github.com/google/cel-go/common/types/ref": "the same",
	"github.com/google/cel-go/interpreter":      "the same",
}

// foreign finds imports from outside that are not allowed.
func foreign(p *packages.Package) []finding {
	var list []finding
	for _, f := range p.Syntax {
		for _, i := range f.Imports {
			path, _ := strconv.Unquote(i.Path.Value)
			if _, ok := allowed[path]; !ok && !strings.HasPrefix(path, module) {
				list = append(list, finding{i.Pos(), path, "imports " + path})
			}
		}
	}
	return list
}

func TestTheCoreImportsOnlyWhatIsAllowed(t *testing.T) {
	canary(t, "foreign", foreign)
	hold(t, "the core has no business with it; an import that is pure goes into the list with its reason", foreign, exceptions{
		"bench/car os":            "finds and reads folders of cars of one's own, before a run",
		"bench/car path/filepath": "the same",
		"dbc os":                  "Load reads a file, before a run",
	}, coreOf(t))
	for path := range allowed {
		used := slices.ContainsFunc(coreOf(t), func(p *packages.Package) bool { return p.Imports[path] != nil })
		unneeded(t, used, "the core may import %s, and nothing does: take it out of the list", path)
	}
}

// uses finds each use of a function or type of a package that bad says no to.
func uses(p *packages.Package, text string, bad func(o types.Object) bool) []finding {
	var list []finding
	for id, o := range p.TypesInfo.Uses {
		if o.Pkg() != nil && bad(o) {
			name := o.Pkg().Path() + "." + o.Name()
			list = append(list, finding{id.Pos(), name, text + " " + name})
		}
	}
	slices.SortFunc(list, func(a, b finding) int { return int(a.at - b.at) })
	return list
}

// topLevel reports a function of a package, not a method.
func topLevel(o types.Object) bool {
	f, ok := o.(*types.Func)
	return ok && f.Signature().Recv() == nil
}

// clocks finds what reads or waits for a clock.
func clocks(p *packages.Package) []finding {
	names := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick"}
	return uses(p, "uses", func(o types.Object) bool {
		return o.Pkg().Path() == "time" && topLevel(o) && slices.Contains(names, o.Name())
	})
}

// Time is given: whoever reads a clock beside the loop's breaks virtual time.
func TestOnlyTheClockReadsAClock(t *testing.T) {
	canary(t, "clock", clocks)
	// Shells outside the loop: sockets' deadlines, the process's grace, the command line
	// and the file names of a daemon's recordings.
	shells := []string{"canbus/clock", "canbus/hub", "canbus/socketcan", "bench/tool", "bench/api", "cmd/sawhorse", "cmd/demotool", "deploy/examples"}
	exist(t, "shells", shells...)
	held := slices.DeleteFunc(house(t), func(p *packages.Package) bool {
		return within(folder(p), shells...) && !within(folder(p), core...)
	})
	hold(t, "only canbus/clock reads a clock", clocks, nil, held)
}

// globalChance finds the global sources of random numbers, and those of the system.
func globalChance(p *packages.Package) []finding {
	return uses(p, "uses", func(o types.Object) bool {
		switch o.Pkg().Path() {
		case "math/rand", "crypto/rand", "hash/maphash":
			return true
		case "math/rand/v2":
			return topLevel(o) && !strings.HasPrefix(o.Name(), "New")
		}
		return false
	})
}

// Chance is given: one seed a run, and each component derives its own generator by name.
func TestNothingInTheHouseUsesAGlobalSourceOfChance(t *testing.T) {
	canary(t, "chance", globalChance)
	hold(t, "take a generator of bench/chance", globalChance, nil, house(t))
}

// printing finds what writes to the process's own output.
func printing(p *packages.Package) []finding {
	return uses(p, "uses", func(o types.Object) bool {
		return o.Pkg().Path() == "fmt" && (strings.HasPrefix(o.Name(), "Print") || strings.HasPrefix(o.Name(), "Scan"))
	})
}

func TestTheCoreDoesNotPrint(t *testing.T) {
	canary(t, "printing", printing)
	hold(t, "the core gives results and errors; who called it shows them", printing, nil, coreOf(t))
}

// concurrent finds goroutines, channels and locks. What is read once when it is first
// wanted is no lock in the model: the same is there whoever comes first.
func concurrent(p *packages.Package) []finding {
	list := uses(p, "uses", func(o types.Object) bool {
		switch o.Pkg().Path() {
		case "sync":
			if v, ok := o.(*types.Var); ok && v.IsField() {
				return false
			}
			if f, ok := o.(*types.Func); ok && f.Signature().Recv() != nil {
				return false // its type was found where it was declared
			}
			return !slices.Contains([]string{"OnceValue", "OnceValues", "OnceFunc"}, o.Name())
		case "sync/atomic", "context", "golang.org/x/sync/errgroup":
			return topLevel(o) || isType(o)
		}
		return false
	})
	for _, f := range p.Syntax {
		ast.Inspect(f, func(n ast.Node) bool {
			what := ""
			switch n := n.(type) {
			case *ast.GoStmt:
				what = "go"
			case *ast.SelectStmt:
				what = "select"
			case *ast.SendStmt:
				what = "send"
			case *ast.ChanType:
				what = "chan"
			case *ast.UnaryExpr:
				if n.Op == token.ARROW {
					what = "receive"
				}
			case *ast.RangeStmt:
				if _, ok := p.TypesInfo.TypeOf(n.X).Underlying().(*types.Chan); ok {
					what = "receive"
				}
			}
			if what != "" {
				list = append(list, finding{n.Pos(), what, "has " + what})
			}
			return true
		})
	}
	return list
}

func isType(o types.Object) bool { _, ok := o.(*types.TypeName); return ok }

func TestTheCoreHasNoGoroutinesChannelsOrLocks(t *testing.T) {
	canary(t, "concurrent", concurrent)
	hold(t, "one loop owns the model", concurrent, exceptions{
		"bench/car sync.Mutex": "the registry of cars, which is read before runs and from several of them side by side",
	}, coreOf(t))
}

// rewritten finds package-level variables that a function other than an initializer
// writes: state that all runs of a process share.
func rewritten(p *packages.Package) []finding {
	var list []finding
	write := func(x ast.Expr) {
		if v := rootOf(p.TypesInfo, x); v != nil && v.Pkg() != nil && v.Parent() == v.Pkg().Scope() {
			list = append(list, finding{x.Pos(), v.Name(), "writes the package's variable " + v.Name()})
		}
	}
	for _, f := range p.Syntax {
		for _, d := range f.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || onlyAtStart(p, fn) {
				continue
			}
			ast.Inspect(fn, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.AssignStmt:
					if n.Tok != token.DEFINE {
						for _, x := range n.Lhs {
							write(x)
						}
					}
				case *ast.IncDecStmt:
					write(n.X)
				case *ast.RangeStmt:
					if n.Tok == token.ASSIGN {
						write(n.Key)
						if n.Value != nil {
							write(n.Value)
						}
					}
				case *ast.CallExpr:
					if b, ok := p.TypesInfo.Uses[identOf(n.Fun)].(*types.Builtin); ok && len(n.Args) > 0 {
						switch b.Name() {
						case "delete", "clear", "copy":
							write(n.Args[0])
						}
					}
				}
				return true
			})
		}
	}
	return list
}

// onlyAtStart reports an init function, and one that nothing but these calls: a registry
// is filled by such, before anything runs.
func onlyAtStart(p *packages.Package, fn *ast.FuncDecl) bool {
	isInit := func(d ast.Decl) bool {
		f, ok := d.(*ast.FuncDecl)
		return ok && f.Recv == nil && f.Name.Name == "init"
	}
	if isInit(fn) {
		return true
	}
	o := p.TypesInfo.Defs[fn.Name]
	if fn.Name.IsExported() || o == nil {
		return false
	}
	used := 0
	for id, u := range p.TypesInfo.Uses {
		if f, ok := u.(*types.Func); !ok || f.Origin() != o {
			continue
		}
		used++
		inside := func(d ast.Decl) bool { return isInit(d) && d.Pos() <= id.Pos() && id.Pos() < d.End() }
		if !slices.ContainsFunc(p.Syntax, func(f *ast.File) bool { return slices.ContainsFunc(f.Decls, inside) }) {
			return false
		}
	}
	return used > 0
}

// rootOf is the variable that an assignable expression begins with; nil where it goes
// through a pointer that something else holds.
func rootOf(info *types.Info, x ast.Expr) *types.Var {
	for {
		switch e := ast.Unparen(x).(type) {
		case *ast.Ident:
			v, _ := info.Uses[e].(*types.Var)
			return v
		case *ast.IndexExpr:
			x = e.X
		case *ast.SliceExpr:
			x = e.X
		case *ast.StarExpr:
			x = e.X
		case *ast.SelectorExpr:
			if v, ok := info.Uses[e.Sel].(*types.Var); ok && !v.IsField() {
				return v // of another package
			}
			x = e.X
		default:
			return nil
		}
	}
}

func identOf(x ast.Expr) *ast.Ident {
	id, _ := ast.Unparen(x).(*ast.Ident)
	return id
}

func TestTheCoreWritesNoPackageVariables(t *testing.T) {
	canary(t, "rewritten", rewritten)
	hold(t, "many runs go side by side in a process, and each must be as if alone", rewritten, exceptions{}, coreOf(t))
}

// anyOrder is the mark of a range over a map that was looked at: a comment on its line or
// the line above that says why the order does not reach what comes out.
const anyOrder = "// any order: "

// unordered finds ranges over maps without the mark, and iterators over maps that are not
// sorted at once.
func unordered(p *packages.Package) []finding {
	var list []finding
	for _, f := range p.Syntax {
		marked := map[int]bool{}
		for _, g := range f.Comments {
			for _, c := range g.List {
				if rest, ok := strings.CutPrefix(c.Text, anyOrder); ok && strings.TrimSpace(rest) != "" {
					line := p.Fset.Position(c.Pos()).Line
					marked[line], marked[line+1] = true, true
				}
			}
		}
		sorted := map[ast.Expr]bool{} // arguments of slices.Sorted and its like
		ast.Inspect(f, func(n ast.Node) bool {
			if n == nil || marked[p.Fset.Position(n.Pos()).Line] {
				return true
			}
			switch n := n.(type) {
			case *ast.RangeStmt:
				if _, ok := p.TypesInfo.TypeOf(n.X).Underlying().(*types.Map); ok && n.Key != nil {
					list = append(list, finding{n.Pos(), "range", "ranges over a map without a comment that begins with \"" + anyOrder + "\""})
				}
			case *ast.CallExpr:
				switch o := calledIn(p.TypesInfo, n); {
				case o == "slices.Sorted" || o == "slices.SortedFunc" || o == "slices.SortedStableFunc" || o == "maps.Collect":
					sorted[n.Args[0]] = true
				case (o == "maps.Keys" || o == "maps.Values" || o == "maps.All") && !sorted[n]:
					list = append(list, finding{n.Pos(), o, "uses " + o + " unsorted, without a comment that begins with \"" + anyOrder + "\""})
				}
			}
			return true
		})
	}
	return list
}

// calledIn is the function that a call names, as package.Name; "" for others.
func calledIn(info *types.Info, call *ast.CallExpr) string {
	o := callee(info, call)
	if o == nil || o.Pkg() == nil || !topLevel(o) {
		return ""
	}
	return o.Pkg().Path() + "." + o.Name()
}

func TestTheOrderOfMapsDoesNotReachWhatTheCoreGivesOut(t *testing.T) {
	canary(t, "unordered", unordered)
	hold(t, "a map's order is another each time; sort, or say why it does not matter", unordered, nil, coreOf(t))
}
