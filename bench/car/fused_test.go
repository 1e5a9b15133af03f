package car

import (
	"os"
	"os/exec"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Scenario and seed give the same run on every machine. A compiler that fuses a
// product and a sum into one rounding would break that, and the one for arm64
// does so wherever the language allows it; so its output must hold none.
func TestNoProductIsFusedWithASum(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for another architecture: left out of short runs")
	}
	for _, pkg := range []string{"sawhorse/bench/car/exact", "sawhorse/bench/car", "sawhorse/bench/ecu/app"} {
		cmd := exec.Command("go", "build", "-gcflags=-S", pkg)
		cmd.Env = append(os.Environ(), "GOARCH=arm64", "GOOS=linux", "CGO_ENABLED=0", "GOFLAGS=")
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s", out)
		require.Contains(t, string(out), "FMULD", "%s: no assembly to look at", pkg)
		assert.Empty(t, regexp.MustCompile(`[^\n]*\bFN?M(?:ADD|SUB)D\b[^\n]*`).FindAllString(string(out), 5), pkg)
	}
}
