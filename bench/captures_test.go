package bench_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/scenarios"
)

var updateCaptures = flag.Bool("update", false, "write the digests of captures anew")

const digestsFile = "testdata/captures.sha256"

// digestSeeds are the seeds that each scenario has a digest for.
var digestSeeds = []uint64{1, 7}

// A scenario and a seed give the same capture, bit for bit, in every process and on
// every machine: that which an earlier version of the program made. So a change that
// touches a frame, a time or a comment of a recording is seen, whatever it was meant
// for.
func TestCapturesStay(t *testing.T) {
	var now bytes.Buffer
	before := map[string]string{}
	text, err := os.ReadFile(digestsFile)
	require.NoError(t, err)
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "#") {
			now.WriteString(line)
			continue
		}
		f := strings.Fields(line)
		require.Len(t, f, 3, "%s: %q, want scenario, seed, digest", digestsFile, line)
		before[f[0]+" "+f[1]] = f[2]
	}
	names := scenarios.Names()
	digests := make([]string, len(names)*len(digestSeeds))
	t.Run("runs", func(t *testing.T) { // ends when all have ended
		for i := range digests {
			name, seed := names[i/len(digestSeeds)], digestSeeds[i%len(digestSeeds)]
			if underRace && name != "clutch-learn" && name != "auklet-healthy" {
				continue // slow under the race detector, which sees nothing new in it
			}
			t.Run(fmt.Sprint(name, "-", seed), func(t *testing.T) {
				t.Parallel()
				key := fmt.Sprintf("%s %d", name, seed)
				digests[i] = key + " " + digestOf(t, name, seed) + "\n"
				if !*updateCaptures {
					require.Equal(t, key+" "+before[key]+"\n", digests[i], "another capture than before")
				}
			})
		}
	})
	if *updateCaptures {
		require.False(t, underRace)
		now.WriteString(strings.Join(digests, ""))
		require.NoError(t, os.WriteFile(filepath.FromSlash(digestsFile), now.Bytes(), 0o644))
		return
	}
	require.Len(t, before, len(names)*len(digestSeeds), "%s has scenarios that are not there", digestsFile)
}
