package bench_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"golang.org/x/tools/go/packages"
)

// arrows say what of the module a package may import: the packages named, or with "/..."
// those below too. The entry of a package is that of its own folder, else of the nearest
// above it. What has no entry may import nothing.
var arrows = map[string][]string{
	"canbus":                 nil,
	"canbus/uds":             nil,
	"canbus/clock":           nil,
	"canbus/internal/spread": nil,
	"canbus/internal/batch":  {"canbus"},
	"canbus/capture":         {"canbus"},
	"canbus/isotp":           {"canbus"},
	"canbus/isotp/link":      {"canbus", "canbus/clock", "canbus/isotp"},
	"canbus/wire":            {"canbus", "canbus/clock"},
	"canbus/hub":             {"canbus", "canbus/clock", "canbus/internal/batch"},
	"canbus/socketcan":       {"canbus", "canbus/clock", "canbus/internal/batch"},
	"canbus/remote":          {"canbus", "canbus/clock"},
	"canbus/busurl":          {"canbus", "canbus/clock", "canbus/hub", "canbus/remote", "canbus/socketcan", "canbus/wire"},
	"canbus/replay":          {"canbus", "canbus/clock", "canbus/internal/spread"},
	"canbus/bridge":          {"canbus", "canbus/clock", "canbus/internal/spread"},
	"canbus/alter":           {"canbus", "canbus/clock", "canbus/replay"},
	"canbus/recorder":        {"canbus", "canbus/capture"},
	"canbus/diag":            {"canbus/uds"},
	"canbus/inspect":         {"canbus", "canbus/diag", "canbus/isotp", "canbus/uds", "canbus/wire"},
	"canbus/bustest":         {"canbus", "canbus/clock"},
	"dbc":                    {"canbus", "dbc/checksum"},
	"dbc/checksum":           nil,
	"testdata":               nil,
	"deploy":                 nil,
	"bench/signal":           nil,
	"bench/depth":            nil,
	"bench/nearest":          nil,
	"bench/format":           nil,
	"bench/task":             nil,
	"bench/chance":           nil,
	"bench/car":              {"bench/car/...", "bench/chance", "bench/format", "bench/signal", "dbc"},
	"bench/car/exact":        nil,
	"bench/car/strict":       {"bench/depth", "bench/format", "bench/nearest"},
	"bench/ecu":              {"bench/ecu/...", "bench/car", "bench/car/exact", "bench/car/strict", "bench/signal", "canbus/...", "dbc/..."},
	"bench/fault":            {"bench/car", "bench/car/strict", "bench/nearest", "canbus/...", "dbc"},
	"bench/tool":             {"bench/tool/...", "bench/task", "bench/depth", "bench/format", "canbus", "canbus/clock"},
	"bench/judge":            {"bench/judge/...", "bench/task", "bench/signal", "canbus", "canbus/isotp", "canbus/uds"},
	"bench/trace":            {"bench/judge", "bench/signal", "canbus/uds"},
	"bench/report":           {"bench/report", "bench/format", "bench/trace", "bench/judge/...", "canbus/diag", "canbus/uds"},
	"bench/batch":            nil,
	"bench/metrics":          nil,
	"bench/api":              nil,
	"bench/plan":             {"bench/format"},
	"bench":                  {"bench/api", "bench/car", "bench/chance", "bench/ecu/...", "bench/fault", "bench/judge/...", "bench/metrics", "bench/nearest", "bench/signal", "bench/trace", "canbus/...", "dbc", "scenarios"},
	"bench/run":              {"bench", "bench/car", "bench/chance", "bench/fault", "bench/format", "bench/judge", "bench/judge/monitor", "bench/metrics", "bench/plan", "bench/task", "bench/tool", "bench/trace", "canbus/...", "scenarios", "testdata/captures"},
	"scenarios":              {"bench/depth", "bench/format", "bench/judge/...", "bench/task"},
	"cmd/sawhorse":           {"bench/...", "canbus/...", "dbc", "scenarios", "cmd/demotool/tester"},
	"cmd/demotool":           {"canbus", "canbus/busurl", "cmd/demotool/tester"},
	"cmd/demotool/tester":    {"canbus", "canbus/isotp"},
}

// entryOf is the arrow that holds for a folder, by its own name or the nearest above it.
func entryOf(dir string) (string, bool) {
	for {
		if _, ok := arrows[dir]; ok {
			return dir, true
		}
		i := strings.LastIndexByte(dir, '/')
		if i < 0 {
			return "", false
		}
		dir = dir[:i]
	}
}

func points(to string, may []string) bool {
	return slices.ContainsFunc(may, func(m string) bool {
		below, tree := strings.CutSuffix(m, "/...")
		return to == m || tree && within(to, below)
	})
}

// astray finds imports against the arrows.
func astray(p *packages.Package) []finding {
	var list []finding
	entry, known := entryOf(folder(p))
	for _, f := range p.Syntax {
		for _, i := range f.Imports {
			to, own := strings.CutPrefix(strings.Trim(i.Path.Value, `"`), module)
			if own && (!known || !points(to, arrows[entry])) {
				list = append(list, finding{i.Pos(), to, "imports " + to + " against the arrows"})
			}
		}
	}
	return list
}

// Imports follow the arrows of the house, so that a part can be understood, tested and
// replaced without what stands above it.
func TestImportsFollowTheArrows(t *testing.T) {
	canary(t, "arrows", astray)
	hold(t, "see the list of arrows", astray, nil, house(t))
	for dir, may := range arrows {
		exist(t, "arrows", dir)
		for _, m := range may {
			below, tree := strings.CutSuffix(m, "/...")
			exist(t, "arrows of "+dir, below)
			used := slices.ContainsFunc(house(t), func(p *packages.Package) bool {
				entry, _ := entryOf(folder(p))
				if entry != dir {
					return false
				}
				for path := range p.Imports {
					if to := strings.TrimPrefix(path, module); to == m || tree && within(to, below) {
						return true
					}
				}
				return false
			})
			unneeded(t, used, "%s may import %s, and does not: take it out of the arrows", dir, m)
		}
	}
}

// The demo's tool is the independent peer of the bench: were both to read one table of
// services or scalings, a slip in it would agree with itself.
func TestTheHousesDemoToolHasItsOwnVocabulary(t *testing.T) {
	const vocabulary = module + "canbus/uds"
	reaches := func(p *packages.Package) []string {
		var path []string
		seen := map[string]bool{}
		var walk func(p *packages.Package, by []string)
		walk = func(p *packages.Package, by []string) {
			by = append(by, folder(p))
			if p.PkgPath == vocabulary && path == nil {
				path = slices.Clone(by)
			}
			if seen[p.PkgPath] {
				return
			}
			seen[p.PkgPath] = true
			for _, q := range p.Imports {
				walk(q, by)
			}
		}
		walk(p, nil)
		return path
	}
	found := 0
	for _, p := range house(t) {
		if within(folder(p), "cmd/demotool") {
			assert.Empty(t, reaches(p), "the demo's tool imports the bench's vocabulary")
			found++
		}
		if folder(p) == "canbus/inspect" { // the canary: it does
			assert.NotEmpty(t, reaches(p), "this test cannot see who imports canbus/uds")
		}
	}
	assert.Positive(t, found, "there is no cmd/demotool")
}
