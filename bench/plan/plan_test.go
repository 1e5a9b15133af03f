package plan_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/format"
	"sawhorse/bench/plan"
)

func sample() *plan.Plan {
	return &plan.Plan{
		Format: format.Plan.Newest, Program: "test", Seed: 7, Time: plan.Virtual, Bus: "mem:", Rate: 500_000,
		Scenario: plan.Text{Name: "healthy", Text: "scenario: healthy\n"},
		Tool:     plan.Text{Name: "demotool", Text: "profile: demotool\n"},
		InBench:  true, Duration: plan.Duration(90 * time.Second), Capture: "capture.pcapng",
	}
}

func TestAPlanComesBackAsItWasWritten(t *testing.T) {
	file := filepath.Join(t.TempDir(), "deep", "run.json")
	p := sample()
	p.Background = &plan.File{Path: "drive.pcap.gz", SHA256: strings.Repeat("0", 64)}
	require.NoError(t, p.Write(file))
	got, err := plan.Read(file)
	require.NoError(t, err)
	require.Equal(t, p, got)
	left, err := os.ReadDir(filepath.Dir(file))
	require.NoError(t, err)
	require.Len(t, left, 1, "nothing is left beside the file")
}

func TestBadPlansAreRefusedWithTheirPlace(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"cut off":       {"{\n  \"sawhorse_run\": 1,\n", ":3:1: unexpected EOF"},
		"not JSON":      {"{\n  \"sawhorse_run\": x}", ":2:20: invalid character 'x'"},
		"wrong type":    {"{\n \"seed\": \"one\"}", "seed"},
		"unknown key":   {`{"sawhorse_run": 1, "sed": 3}`, `unknown field "sed"`},
		"other version": {`{"sawhorse_run": 9}`, ":1:18: sawhorse_run 9 of a plan is newer than this program"},
		"bad duration":  {`{"duration": "soon"}`, `invalid duration "soon"`},
		"two documents": {`{"sawhorse_run":1}{}`, "want the end of the file"},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "run.json")
			require.NoError(t, os.WriteFile(file, []byte(c.text), 0o600))
			_, err := plan.Read(file)
			require.ErrorContains(t, err, c.want)
			require.ErrorContains(t, err, file)
		})
	}
}

func TestEveryNeededFieldIsAskedFor(t *testing.T) {
	for want, alter := range map[string]func(*plan.Plan){
		"time is":       func(p *plan.Plan) { p.Time = "soon" },
		"scenario.text": func(p *plan.Plan) { p.Scenario.Text = "" },
		"tool.text":     func(p *plan.Plan) { p.Tool.Text = "" },
		"duration is":   func(p *plan.Plan) { p.Duration = 0 },
		"capture is":    func(p *plan.Plan) { p.Capture = "" },
	} {
		p := sample()
		require.NoError(t, p.Validate())
		alter(p)
		require.ErrorContains(t, p.Validate(), want)
	}
}

// FIPS 180-2 appendix B.1: the digest of "abc".
func TestDigestNoticesAChangedFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "drive.pcap")
	require.NoError(t, os.WriteFile(file, []byte("abc"), 0o600))
	d, err := plan.Digest(file)
	require.NoError(t, err)
	require.Equal(t, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", d.SHA256)
	require.NoError(t, d.Check())
	require.NoError(t, os.WriteFile(file, []byte("abd"), 0o600))
	require.ErrorContains(t, d.Check(), "has changed since")
}

func FuzzParse(f *testing.F) {
	f.Add(`{"sawhorse_run": 1, "time": "virtual", "duration": "1s"}`)
	f.Add(`{"seed": 18446744073709551616}`)
	f.Fuzz(func(t *testing.T, text string) {
		p, err := plan.Parse(strings.NewReader(text))
		if err == nil {
			require.NoError(t, p.Validate(), "what was read can be run")
		}
	})
}
