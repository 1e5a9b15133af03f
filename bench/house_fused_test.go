package bench_test

import (
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// numeric are the packages whose numbers reach a capture, a verdict or an answer.
var numeric = []string{
	"bench", "bench/car", "bench/ecu", "bench/fault", "bench/chance", "bench/signal", "bench/judge", "bench/tool", "bench/trace",
	"bench/report", "canbus/alter", "canbus/diag", "canbus/inspect", "canbus/isotp", "canbus/replay", "canbus/uds", "canbus/wire", "dbc",
	"cmd/demotool/tester",
}

// profile is what the programs are compiled by, see the Makefile.
const profile = "../cmd/sawhorse/hot.pgo"

// fused compiles packages for arm64, by a profile or with "off" without, and gives the places in the code at which the compiler
// fused a product and a sum, and whether there was any arithmetic at all.
func fused(t *testing.T, profile string, packages ...string) (places []string, looked bool) {
	t.Helper()
	cmd := exec.Command("go", append([]string{"build", "-pgo=" + profile, "-gcflags=-S"}, packages...)...)
	cmd.Env = append(os.Environ(), "GOARCH=arm64", "GOOS=linux", "CGO_ENABLED=0", "GOFLAGS=")
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	at := regexp.MustCompile(`\(([^()\s]+\.go:\d+)\)\s+FN?M(?:ADD|SUB)[DS]\b`)
	for _, m := range at.FindAllStringSubmatch(string(out), -1) {
		places = append(places, m[1])
	}
	slices.Sort(places)
	return slices.Compact(places), strings.Contains(string(out), "FMULD")
}

// Scenario and seed give the same run on every machine. A compiler that fuses a product
// and a sum into one rounding would break that, and the one for arm64 does so wherever
// the language allows it; so its output must hold none, also where it inlines more by the
// profile.
func TestNoProductIsFusedWithASum(t *testing.T) {
	if testing.Short() || underRace {
		t.Skip("compiles for another architecture: left out of short runs, and done once, without the race detector")
	}
	exist(t, "numeric", numeric...)
	var packages []string
	for _, p := range house(t) {
		if dir := folder(p); slices.ContainsFunc(numeric, func(n string) bool { return dir == n || n != "bench" && within(dir, n) }) {
			packages = append(packages, p.PkgPath)
		}
	}
	for _, by := range []string{"off", profile} {
		places, looked := fused(t, by, packages...)
		require.True(t, looked, "no assembly to look at")
		assert.Empty(t, places, "round the product by an explicit conversion: float64(a*b) + c")
	}
	found, _ := fused(t, "off", canaries+"fused")
	require.Len(t, found, 1, "this test cannot see a fused product")
	require.Contains(t, found[0], "fused/x.go:6")
}
