package bench_test

import (
	"go/ast"
	"go/types"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/tools/go/packages"
)

// A package's files lie in layers: a reader meets what is used below or beside its use,
// and a request goes through the house in one direction. A call from a file to one above
// it goes against that. Which file is above which nobody has to say: the figure is that
// of the best order of the files, the calls that would have to go to leave no circle.

// layering is what a package's calls between its files come to.
type layering struct {
	calls  int // from a file to another of the package
	upward int // of these, against the best order found
	worst  []string
}

// upwardCalls counts the calls between the files of a package. A call is a place in the
// code at which a function or method of the package is named outside its own file; one
// made again by the same function counts once.
func upwardCalls(p *packages.Package) layering {
	names := make([]string, len(p.Syntax))
	index := map[string]int{}
	for i, f := range p.Syntax {
		names[i] = p.Fset.Position(f.Pos()).Filename
		index[names[i]] = i
	}
	n := len(names)
	edges := make([][]int, n)
	for i := range edges {
		edges[i] = make([]int, n)
	}
	var l layering
	for from, f := range p.Syntax {
		for _, d := range f.Decls {
			seen := map[types.Object]bool{}
			ast.Inspect(d, func(node ast.Node) bool {
				call, ok := node.(*ast.CallExpr)
				if !ok {
					return true
				}
				o := callee(p.TypesInfo, call)
				if o == nil || o.Pkg() != p.Types || seen[o] {
					return true
				}
				if to := index[p.Fset.Position(o.Pos()).Filename]; to != from {
					seen[o] = true
					edges[from][to]++
					l.calls++
				}
				return true
			})
		}
	}
	order := bestOrder(edges)
	for i, lower := range order {
		for _, upper := range order[:i] {
			if edges[lower][upper] > 0 {
				l.upward += edges[lower][upper]
				l.worst = append(l.worst, filepath.Base(names[lower])+" calls "+filepath.Base(names[upper]))
			}
		}
	}
	slices.Sort(l.worst)
	return l
}

// callee is the function or method that a call names; nil for a value or an interface's.
func callee(info *types.Info, call *ast.CallExpr) types.Object {
	fun := ast.Unparen(call.Fun)
	switch x := fun.(type) {
	case *ast.IndexExpr:
		fun = x.X
	case *ast.IndexListExpr:
		fun = x.X
	}
	var id *ast.Ident
	switch x := fun.(type) {
	case *ast.Ident:
		id = x
	case *ast.SelectorExpr:
		id = x.Sel
	default:
		return nil
	}
	f, ok := info.Uses[id].(*types.Func)
	if !ok {
		return nil
	}
	if r := f.Signature().Recv(); r != nil && types.IsInterface(r.Type()) {
		return nil
	}
	return f.Origin()
}

// bestOrder sorts the files so that few calls go upwards: files are moved, one at a
// time, to where they cost least, until none gains by it. (The least of all is hard to
// find; this is close enough to hold a limit.)
func bestOrder(edges [][]int) []int {
	var best []int
	least := -1
	for start := range 8 {
		order := make([]int, len(edges))
		for i := range order {
			order[i] = i
		}
		rotate(order, start)
		improve(order, edges)
		if c := cost(order, edges); least < 0 || c < least {
			least, best = c, order
		}
	}
	return best
}

// rotate makes another beginning of an order: the first ones go to the end, reversed for
// an odd number.
func rotate(order []int, by int) {
	if len(order) == 0 {
		return
	}
	k := by * len(order) / 8
	turned := append(slices.Clone(order[k:]), order[:k]...)
	copy(order, turned)
	if by%2 == 1 {
		slices.Reverse(order)
	}
}

func improve(order []int, edges [][]int) {
	for better := true; better; {
		better = false
		for i := range order {
			x, gain, to := order[i], 0, i
			sum := 0
			for k := i - 1; k >= 0; k-- { // upwards: calls of those passed become downward or upward
				sum += edges[x][order[k]] - edges[order[k]][x]
				if sum > gain {
					gain, to = sum, k
				}
			}
			sum = 0
			for k := i + 1; k < len(order); k++ {
				sum += edges[order[k]][x] - edges[x][order[k]]
				if sum > gain {
					gain, to = sum, k
				}
			}
			if to != i {
				rest := slices.Delete(slices.Clone(order), i, i+1)
				copy(order, slices.Insert(rest, to, x))
				better = true
			}
		}
	}
}

func cost(order []int, edges [][]int) int {
	n := 0
	for i, lower := range order {
		for _, upper := range order[:i] {
			n += edges[lower][upper]
		}
	}
	return n
}

// upward are the limits of the calls that go upwards, by folder; those of a folder that
// ends in "/..." are counted together. They only ever shrink: whoever gets below one
// writes the new figure here. What is not named has none.
var upward = map[string]int{
	"bench":               4,
	"bench/run":           3,
	"bench/car/...":       13,
	"bench/ecu/...":       8,
	"bench/fault":         7,
	"bench/report/...":    2,
	"bench/tool":          4,
	"canbus/clock":        1,
	"canbus/capture":      9,
	"canbus/diag":         1,
	"canbus/hub":          1,
	"canbus/isotp":        17,
	"canbus/replay":       3,
	"canbus/socketcan":    1,
	"cmd/demotool/tester": 10,
	"cmd/sawhorse":        8,
	"dbc":                 5,
	"scenarios":           3,
}

func TestTheHousesLayersHold(t *testing.T) {
	canary := packageNamed(t, canaries+"layers")
	got := upwardCalls(canary)
	require.Equal(t, 1, got.upward, "the canary has three calls down and one up: %v", got.worst)
	require.Equal(t, 4, got.calls)

	sums, told := map[string]int{}, map[string][]string{}
	for _, p := range house(t) {
		l := upwardCalls(p)
		name := folder(p)
		for of := range upward {
			if tree, ok := strings.CutSuffix(of, "/..."); ok && within(name, tree) {
				name = of
			}
		}
		sums[name] += l.upward
		told[name] = append(told[name], l.worst...)
	}
	for name, most := range upward {
		exist(t, "upward", strings.TrimSuffix(name, "/..."))
		assert.Positive(t, most, "%s has none: take it out of the list", name)
	}
	for name, n := range sums {
		assert.LessOrEqual(t, n, upward[name], "%s has %d calls from a file to one above it: %v", name, n, told[name])
		unneeded(t, n >= upward[name], "%s has only %d calls upwards: write that into the list", name, n)
	}
}

func packageNamed(t *testing.T, path string) *packages.Package {
	t.Helper()
	all, err := loaded()
	require.NoError(t, err)
	require.NotNil(t, all[path], "%s is missing", path)
	return all[path]
}
