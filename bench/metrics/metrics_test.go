package metrics_test

import (
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/metrics"
)

func filled() *metrics.Set {
	s := metrics.New()
	s.Frame(true)
	s.Frame(false)
	s.Frame(false)
	s.ErrorReport()
	s.Load(0.4)
	s.Lateness(250 * time.Microsecond)
	s.Request(0x22)
	s.Negative(0x31, 0x83)
	s.Reaction(12 * time.Millisecond)
	s.Faults(2)
	s.Joined()
	s.Joined()
	s.Joined()
	s.Left()
	s.Dropped()
	s.Recordings(1)
	s.Recordings(1)
	s.Recordings(-1)
	s.RecordingFailed()
	s.ListeningOnly()
	s.Verdict("pass")
	s.Said("health-check", 12, 1, 2)
	return s
}

func page(t *testing.T, s *metrics.Set) string {
	t.Helper()
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	require.Equal(t, 200, w.Code)
	return w.Body.String()
}

func TestWhatIsCountedIsExported(t *testing.T) {
	body := page(t, filled())
	for _, want := range []string{
		`sawhorse_frames_total{direction="in"} 1`,
		`sawhorse_frames_total{direction="out"} 2`,
		`sawhorse_bus_error_reports_total 1`,
		`sawhorse_bus_load_ratio 0.4`,
		`sawhorse_replay_lateness_seconds_bucket{le="0.0003"} 1`,
		`sawhorse_replay_lateness_seconds_bucket{le="0.0001"} 0`,
		`sawhorse_diagnostic_requests_total{service="22"} 1`,
		`sawhorse_negative_responses_total{code="83",service="31"} 1`,
		`sawhorse_tool_reaction_seconds_sum 0.012`,
		`sawhorse_faults_active 2`,
		`sawhorse_bus_clients 1`,
		`sawhorse_bus_clients_joined_total 3`,
		`sawhorse_bus_clients_dropped_total 1`,
		`sawhorse_recordings_active 1`,
		`sawhorse_recordings_failed_total 1`,
		`sawhorse_bus_listening_only 1`,
		`sawhorse_verdicts_total{outcome="pass"} 1`,
		`sawhorse_reported_entries_total{task="health-check",verdict="true"} 12`,
		`sawhorse_reported_entries_total{task="health-check",verdict="false_positive"} 1`,
		`sawhorse_reported_entries_total{task="health-check",verdict="false_negative"} 2`,
	} {
		require.Contains(t, body, want)
	}
}

// Prometheus' own linter (promtool check metrics) accepts names, units and
// help texts.
func TestPromtoolAcceptsTheMetrics(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("promtool is missing; Debian's package prometheus has it")
		}
		t.Skip("promtool is not installed (Debian's package prometheus)")
	}
	var file strings.Builder
	require.NoError(t, filled().Write(&file))
	require.Contains(t, file.String(), `sawhorse_reported_entries_total{task="health-check",verdict="true"} 12`)
	require.NotContains(t, file.String(), "\nprocess_", "of a process that is over")
	for _, text := range []string{page(t, filled()), file.String()} {
		cmd := exec.Command(tool, "check", "metrics")
		cmd.Stdin = strings.NewReader(text)
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s", out)
		require.Empty(t, strings.TrimSpace(string(out)))
	}
}

func TestCountingAllocatesNothing(t *testing.T) {
	s := filled()
	require.Zero(t, testing.AllocsPerRun(100, func() {
		s.Frame(true)
		s.Load(0.5)
		s.Request(0x22)
		s.Reaction(time.Millisecond)
	}))
}
