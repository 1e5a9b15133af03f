package main_test

import (
	"bytes"
	"cmp"
	"os"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// initialisation is what a package did before main.
type initialisation struct {
	pkg    string
	ms     float64
	allocs int
}

var initLine = regexp.MustCompile(`(?m)^init (\S+) @\S+ ms, (\S+) ms clock, \d+ bytes, (\d+) allocs$`)

// initialisations are those of a start, as the runtime tells them (GODEBUG=inittrace=1,
// see the documentation of package runtime); of several starts the quickest of each.
func initialisations(t testing.TB, starts int) []initialisation {
	t.Helper()
	var list []initialisation
	for range starts {
		cmd := command(t.TempDir(), "--help")
		cmd.Env = append(cmd.Env, "GODEBUG=inittrace=1")
		var trace bytes.Buffer
		cmd.Stderr = &trace
		require.NoError(t, cmd.Run())
		for _, m := range initLine.FindAllStringSubmatch(trace.String(), -1) {
			ms, err := strconv.ParseFloat(m[2], 64)
			require.NoError(t, err)
			allocs, err := strconv.Atoi(m[3])
			require.NoError(t, err)
			i := slices.IndexFunc(list, func(x initialisation) bool { return x.pkg == m[1] })
			if i < 0 {
				list = append(list, initialisation{m[1], ms, allocs})
				continue
			}
			list[i].ms = min(list[i].ms, ms)
		}
	}
	require.Greater(t, len(list), 20, "the runtime told what was initialised")
	slices.SortFunc(list, func(a, b initialisation) int { return cmp.Compare(b.ms, a.ms) })
	return list
}

// Nothing is parsed before a command asks for it: the smallest data file takes ten
// thousand allocations, the catalogue half a million.
func TestNothingIsParsedAtStart(t *testing.T) {
	for _, p := range initialisations(t, 1) {
		assert.Less(t, p.allocs, 2000, "package %s before main", p.pkg)
	}
}

// What a whole process takes, in CPU time, and the packages that take longest before main.
func BenchmarkStart(b *testing.B) {
	for _, c := range []struct {
		name string
		args []string
	}{
		{"help", []string{"--help"}},
		{"run-healthy", []string{"run", "healthy"}},
		{"faults", []string{"faults"}},
		{"cars", []string{"cars"}},
	} {
		b.Run(c.name, func(b *testing.B) {
			dir := b.TempDir()
			var took time.Duration
			for b.Loop() {
				cmd := command(dir, c.args...)
				require.NoError(b, cmd.Run())
				took += cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
				require.NoError(b, os.RemoveAll(dir+"/out"))
			}
			b.ReportMetric(float64(took.Microseconds())/1e3/float64(b.N), "ms-CPU/process")
		})
	}
	for _, p := range initialisations(b, 9)[:5] {
		b.Run("init="+p.pkg, func(b *testing.B) {
			for b.Loop() {
			}
			b.ReportMetric(p.ms, "ms-before-main")
			b.ReportMetric(float64(p.allocs), "allocs-before-main")
			b.ReportMetric(0, "ns/op")
		})
	}
}
