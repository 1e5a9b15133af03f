package recorded_test

import (
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
	"sawhorse/bench/judge/recorded"
	"sawhorse/bench/judge/report"
	"sawhorse/canbus"
)

// frames is a recording in memory.
type frames struct {
	list []canbus.Frame
	at   time.Duration
}

func (r *frames) Next(f *canbus.Frame) error {
	if len(r.list) == 0 {
		return io.EOF
	}
	*f, r.list = r.list[0], r.list[1:]
	return nil
}

func (r *frames) Comment() string { return "" }

// say adds a message in a single frame, padded to eight bytes, some time after the last.
func (r *frames) say(after time.Duration, id canbus.ID, data ...byte) *frames {
	r.at += after
	d := append([]byte{byte(len(data))}, data...)
	f := canbus.New(id, append(d, make([]byte, 8-len(d))...)...)
	f.Time = r.at
	r.list = append(r.list, f)
	return r
}

const ms = time.Millisecond

// start is a recording at an odd time, as those of real cars have.
func start() *frames { return &frames{at: 1_700_000_000 * time.Second} }

func verdict(t *testing.T, r *recorded.Result, id string) (judge.Verdict, bool) {
	t.Helper()
	for _, v := range r.Verdicts {
		if v.ID == id {
			return v, true
		}
	}
	return judge.Verdict{}, false
}

// Who is still in a session when a recording ends may have left it afterwards; who has
// fallen silent for longer than a session lasts (ISO 14229-2: S3 server, 5 s) has not.
func TestWhatIsCutOffIsUndecided(t *testing.T) {
	open := func() *frames { return start().say(0, 0x7E0, 0x10, 0x03).say(5*ms, 0x7E8, 0x50, 0x03, 0, 50, 1, 0xF4) }
	res, err := recorded.Judge(open(), recorded.Options{})
	require.NoError(t, err)
	require.Equal(t, 1, res.Tool)
	v, ok := verdict(t, res, "rule/session-left")
	require.True(t, ok)
	require.Equal(t, judge.Undecided, v.Outcome)
	require.Contains(t, v.Reason, "ends before it could be told")
	require.Equal(t, 5*ms, res.Length)
	require.NotEmpty(t, v.Evidence)

	res, err = recorded.Judge(open().say(ms, 0x7E0, 0x10, 0x01).say(5*ms, 0x7E8, 0x50, 0x01, 0, 50, 1, 0xF4), recorded.Options{})
	require.NoError(t, err)
	v, ok = verdict(t, res, "rule/session-left")
	require.True(t, ok)
	require.Equal(t, judge.Pass, v.Outcome)

	// A started routine stays owed however long the recording goes on.
	res, err = recorded.Judge(start().say(0, 0x7E0, 0x31, 1, 2, 3).say(5*ms, 0x7E8, 0x71, 1, 2, 3).say(9*time.Second, 0x100, 1), recorded.Options{})
	require.NoError(t, err)
	v, ok = verdict(t, res, "rule/routine-followed")
	require.True(t, ok)
	require.Equal(t, judge.Fail, v.Outcome)

	_, ok = verdict(t, res, "rule/transfer-exit")
	require.False(t, ok, "a rule without an occasion is silent")
}

func TestPairs(t *testing.T) {
	p, err := recorded.Pair("7A0:7A8:body")
	require.NoError(t, err)
	require.Equal(t, "body", p.Name)
	require.Equal(t, canbus.KeyOf(0x7A8, false), p.Response)
	p, err = recorded.Pair("18DA40F1:18DAF140")
	require.NoError(t, err)
	require.True(t, p.Request.Extended())
	for _, bad := range []string{"", "7A0", "7A0:", "7A0:XY", "7A0:7A0", "900000000:7A8"} {
		_, err := recorded.Pair(bad)
		require.Error(t, err, bad)
	}
	res, err := recorded.Judge(start().say(0, 0x7A0, 0x22, 0xF1, 0x90).say(ms, 0x7A8, 0x62, 0xF1, 0x90), recorded.Options{})
	require.NoError(t, err)
	require.Zero(t, res.Tool, "the unit was not told")
}

// SAE J1979: 43 is the answer to service 03, with a count and two bytes a code; J2012
// has 01 02 as P0102.
func TestWhatWasSaidIsCompared(t *testing.T) {
	for said, want := range map[string]judge.Outcome{
		`{"stored": ["P0102"]}`:              judge.Pass,
		`{"stored": ["P0102"], "vin": null}`: judge.Pass,
		`{"stored": ["P0103"]}`:              judge.Fail,
		`{"stored": []}`:                     judge.Fail,
	} {
		rep, err := report.ReadSaid(strings.NewReader(said))
		require.NoError(t, err, said)
		src := start().say(0, 0x7DF, 0x03).say(5*ms, 0x7E8, 0x43, 1, 1, 2)
		res, err := recorded.Judge(src, recorded.Options{Said: rep})
		require.NoError(t, err)
		v, ok := verdict(t, res, "truth/stored")
		require.True(t, ok, said)
		require.Equal(t, want, v.Outcome, "%s: %s", said, v.Reason)
	}
}

func TestWhatWasSaidIsReadStrictly(t *testing.T) {
	rep, err := report.ReadSaid(strings.NewReader(`{"vin": "SWH48PETREL000001", "ecus": ["7e0"], "pending": [], "permanent": null,
		"lamp": "on", "learn": "done", "output": "refused", "readiness": {"catalyst": "incomplete"}, "live": {"coolant_c": 90}}`))
	require.NoError(t, err)
	require.Equal(t, []string{"7E0"}, rep.Addresses)
	require.True(t, rep.Lamp)
	require.Equal(t, 90.0, rep.Live[0].Value)
	require.Equal(t, "incomplete", rep.Readiness[0].State)
	require.NotZero(t, rep.NotKnown())
	for said, want := range map[string]string{
		``: "JSON", `[]`: "JSON object", `{"codes": []}`: `"codes" is not known`, `{"lamp": "dim"}`: "on, off",
		`{"stored": "P0102"}`: `key "stored"`, `{"readiness": {"catalyst": "ready"}}`: "catalyst", `{"live": {"coolant_c": "hot"}}`: `key "live"`,
	} {
		_, err := report.ReadSaid(strings.NewReader(said))
		require.ErrorContains(t, err, want, said)
	}
}
