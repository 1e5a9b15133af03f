package examples_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/car"
	"sawhorse/bench/plan"
	"sawhorse/bench/run"
	"sawhorse/scenarios"
)

// peer finds a program that the test needs, or skips.
func peer(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is not installed", name)
		}
		t.Skipf("%s is not installed", name)
	}
	return path
}

// socket is a car on a unix bus with the key on, ready to be asked.
func socket(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "bus")
	b, err := bench.New(bench.Settings{Car: "petrel-48", Wall: true, Buses: []bench.Bus{{URL: "unix:" + path}}})
	require.NoError(t, err)
	require.NoError(t, b.Hand().Drive(map[string]any{"key": "on"}))
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- b.Run(ctx, math.MaxInt64) }()
	t.Cleanup(func() {
		cancel()
		<-ended
		require.NoError(t, b.Close())
	})
	return path
}

func vin(t *testing.T) string {
	t.Helper()
	spec, err := car.BuiltIn("petrel-48")
	require.NoError(t, err)
	return spec.Identity.VIN
}

// The examples, run as the README says, get the car's VIN.
func TestTheExamplesAskForTheVIN(t *testing.T) {
	path := socket(t)
	built := filepath.Join(t.TempDir(), "ask")
	if out, err := exec.Command(peer(t, "go"), "build", "-o", built, "./go").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for name, command := range map[string][]string{"python": {"python3", "ask.py"}, "go": {built}} {
		t.Run(name, func(t *testing.T) {
			ask := func() string {
				cmd := exec.Command(peer(t, command[0]), command[1:]...)
				cmd.Env = append(os.Environ(), "SAWHORSE_BUS=unix:"+path)
				out, err := cmd.CombinedOutput()
				if err != nil {
					return err.Error() + ": " + string(out)
				}
				return string(out)
			}
			// The control units take a moment to start, as real ones do.
			require.Eventually(t, func() bool { return ask() == "VIN "+vin(t)+"\n" }, 20*time.Second, 50*time.Millisecond, "%s", ask())
		})
	}
}

// The profile and the scenario beside them: the bench starts the client, reads it and
// judges it.
func TestTheExampleIsJudged(t *testing.T) {
	peer(t, "python3")
	sc, err := scenarios.Load("vin.yaml", bench.Vocabulary())
	require.NoError(t, err)
	profile, err := os.ReadFile("ask.profile.yaml")
	require.NoError(t, err)
	file, err := filepath.Abs("ask.profile.yaml")
	require.NoError(t, err)
	p, err := run.Resolve(sc, run.Choices{Program: "test", Tool: plan.Text{Name: "ask", File: file, Text: string(profile)}})
	require.NoError(t, err)
	r, err := run.New(p, run.Options{Folder: t.TempDir()})
	require.NoError(t, err)
	res, err := r.Execute(context.Background())
	require.NoError(t, err)
	require.NoError(t, res.Err)
	require.Greater(t, len(res.Verdicts), 2, "what the scenario expects, and the rules for every tool")
	for _, v := range res.Verdicts {
		require.Equal(t, "pass", v.Outcome.String(), "%s: %s %v", v.ID, v.Reason, v.Evidence)
	}
}

// The second tool shares neither code nor author with the demo's: what it does well must pass.
func TestTheSecondToolIsJudged(t *testing.T) {
	peer(t, "python3")
	file, err := filepath.Abs("second-tool/second-tool.profile.yaml")
	require.NoError(t, err)
	profile, err := os.ReadFile(file)
	require.NoError(t, err)
	for _, name := range []string{"freeze-frame", "slow-and-busy"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			sc, err := scenarios.Load("../../scenarios/"+name+".yaml", bench.Vocabulary())
			require.NoError(t, err)
			p, err := run.Resolve(sc, run.Choices{Program: "test", Tool: plan.Text{Name: "second-tool", File: file, Text: string(profile)}})
			require.NoError(t, err)
			r, err := run.New(p, run.Options{Folder: t.TempDir()})
			require.NoError(t, err)
			res, err := r.Execute(context.Background())
			require.NoError(t, err)
			require.NoError(t, res.Err)
			require.Greater(t, len(res.Verdicts), 2)
			for _, v := range res.Verdicts {
				// A machine that is too busy for wall time leaves things undecided, and no more.
				require.NotEqual(t, "fail", v.Outcome.String(), "%s: %s %v", v.ID, v.Reason, v.Evidence)
			}
		})
	}
}

// Twenty lines is what was promised: statements, without comments and blank lines.
func TestTheExamplesAreShort(t *testing.T) {
	data, err := os.ReadFile("ask.py")
	require.NoError(t, err)
	n := 0
	for line := range strings.Lines(string(data)) {
		if s := strings.TrimSpace(line); s != "" && s[0] != '#' && !strings.HasPrefix(s, `"""`) {
			n++
		}
	}
	require.LessOrEqual(t, n, 20)
}

// block is the indented text of a page from a line with this beginning.
func block(t *testing.T, page, first string) string {
	t.Helper()
	var b strings.Builder
	in := false
	for line := range strings.Lines(page) {
		text, indented := strings.CutPrefix(line, "    ")
		in = in && (indented || strings.TrimSpace(line) == "") || indented && strings.HasPrefix(text, first)
		if in {
			b.WriteString(text)
		}
	}
	require.NotEmpty(t, b.String(), "no block that begins with %s", first)
	return b.String()
}

// The unit that the guide adds to the example is one, and the mistakes that it shows are
// told so.
func TestTheGuideToACarOfOnesOwn(t *testing.T) {
	page, err := os.ReadFile("../own-car.md")
	require.NoError(t, err)
	unit, wiring := block(t, string(page), "ecu: seat"), block(t, string(page), "signals:")
	signals, circuits, ok := strings.Cut(wiring, "circuits:\n")
	require.True(t, ok)
	signals = strings.TrimSpace(strings.TrimPrefix(signals, "signals:\n"))
	n := 0
	build := func(old, now string) (string, error) {
		n++
		name := fmt.Sprintf("guide-%d", n)
		dir := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.CopyFS(dir, os.DirFS("siskin2")))
		edit := func(file string, change func(string) string) {
			data, err := os.ReadFile(filepath.Join(dir, file))
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(dir, file), []byte(change(string(data))), 0o644))
		}
		edit("car.yaml", func(s string) string {
			return strings.NewReplacer("siskin-2\n", name+"\n", "ecu-climate.yaml]", "ecu-climate.yaml, ecu-seat.yaml]").Replace(s)
		})
		edit("circuits.yaml", func(s string) string {
			return strings.Replace(s, "\nsignals:\n", "\nsignals:\n  "+signals+"\n", 1) + circuits
		})
		require.Contains(t, unit, old)
		require.NoError(t, os.WriteFile(filepath.Join(dir, "ecu-seat.yaml"), []byte(strings.Replace(unit, old, now, 1)), 0o644))
		_, err := car.Use(dir)
		if err == nil {
			var b *bench.Bench
			if b, err = bench.New(bench.Settings{Car: name}); err == nil {
				require.NoError(t, b.Close())
			}
		}
		return dir, err
	}
	_, err = build("", "")
	require.NoError(t, err)
	shown := strings.Split(strings.TrimSpace(block(t, string(page), "my-bench/ecu-seat.yaml")), "\n")
	require.Len(t, shown, len(mistakes))
	for i, m := range mistakes {
		dir, err := build(m.old, m.now)
		want, _, _ := strings.Cut(strings.TrimSpace(shown[i]), "...")
		require.ErrorContains(t, err, strings.Replace(want, "my-bench", filepath.ToSlash(dir), 1))
	}
}

// mistakes are those that the guide shows.
var mistakes = []struct{ old, now string }{
	{"circuit: seat-sensor, scale", "circuit: seat-senser, scale"},
	{"request: 0x7A2", "request: 7E2"},
	{"output: heater, did", "output: heatr, did"},
}
