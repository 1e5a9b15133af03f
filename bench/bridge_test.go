package bench_test

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/api"
	"sawhorse/bench/chance"
	"sawhorse/canbus"
	"sawhorse/canbus/alter"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/replay"
	"sawhorse/scenarios"
)

// A fault of a bridge is done to what crosses, in the direction asked for.
func TestFaultsOnABridge(t *testing.T) {
	m, err := bench.New(bench.Settings{Buses: []bench.Bus{{}, {}}, Bridge: true, Seed: chance.Seed(1)})
	require.NoError(t, err)
	hand, loop := m.Hand(), m.Loop
	seen := map[uint8]bool{}
	m.Record(recorderFunc(func(f *canbus.Frame) { seen[f.Bus] = true }), nil)
	a, b := &clientNode{}, &clientNode{}
	a.port, err = m.Buses()[0].Attach("a", a)
	require.NoError(t, err)
	b.port, err = m.Buses()[1].Attach("b", b)
	require.NoError(t, err)
	require.NoError(t, hand.SetFault("frames-lost", true, map[string]any{"sender": "near", "every": 2.0}))
	for i := range 10 {
		f := canbus.New(0x7E8, byte(i))
		loop.At(time.Duration(i)*time.Millisecond, clock.PriorityTool, func() {
			require.NoError(t, a.port.Send(&f))
			require.NoError(t, b.port.Send(&f))
		})
	}
	require.NoError(t, m.Run(context.Background(), time.Second))
	require.Len(t, b.answers, 5, "from near every second is lost")
	require.Len(t, a.answers, 10, "from far none")
	require.Equal(t, map[uint8]bool{0: true, 1: true}, seen)

	on := 0
	for _, s := range hand.Faults() {
		if s.On {
			on++
		}
	}
	require.Equal(t, 1, on)
	require.NoError(t, hand.SetFault("frames-lost", false, nil))
	require.ErrorIs(t, hand.SetFault("clutch-unlearned", true, nil), api.ErrUnknown)
	require.ErrorContains(t, hand.SetFault("frames-lost", true, map[string]any{"sender": "engine"}), "want near")
	require.Error(t, hand.Drive(nil))
	require.NoError(t, m.Close())
}

// recorderFunc is a recorder of frames alone.
type recorderFunc func(f *canbus.Frame)

func (r recorderFunc) Write(f *canbus.Frame, _ string) error { r(f); return nil }

// list is a recording made of frames.
type list []canbus.Frame

func (l *list) Next(f *canbus.Frame) error {
	if len(*l) == 0 {
		return io.EOF
	}
	*f, *l = (*l)[0], (*l)[1:]
	return nil
}

// played is what a bus carries of a recording of 1000 frames, one every 10 ms, with
// the faults of a file.
func played(t *testing.T, seed chance.Seed, yaml string) (times []time.Duration, touched int, altered alter.Stats) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "faults.yaml")
	require.NoError(t, os.WriteFile(file, []byte(yaml), 0o600))
	faults, err := scenarios.LoadFaults(file, bench.FrameFaults(), nil)
	require.NoError(t, err)
	b, err := bench.New(bench.Settings{Seed: seed})
	require.NoError(t, err)
	_, err = b.Script(nil, faults)
	require.NoError(t, err)
	b.Bus.Tap(func(s canbus.Sighting) {
		times = append(times, s.Frame.Time)
		if s.Touched != "" {
			touched++
		}
	})
	_, err = b.Bus.Attach("listener", &clientNode{})
	require.NoError(t, err)
	var src list
	for i := range 1000 {
		f := canbus.New(0x110, byte(i), byte(i>>8))
		f.Time = time.Duration(i) * 10 * time.Millisecond
		src = append(src, f)
	}
	_, err = b.Play(&src, replay.Options{Finished: func() { b.Drain(b.Loop.Stop) }})
	require.NoError(t, err)
	require.NoError(t, b.Run(context.Background(), time.Hour))
	require.NoError(t, b.Close())
	return times, touched, b.Altered()
}

// Faults of a recording come and go at their times: for 500 ms of every 2 s until
// 8 s every second frame is lost.
func TestARecordingWithFaultsAtTimes(t *testing.T) {
	times, _, altered := played(t, 1, `
faults:
  - {fault: frames-lost, params: {ids: "110", every: 2}, from: 1s, for: 500ms, every: 2s, until: 8s}
`)
	require.EqualValues(t, 4*25, altered.Dropped, "from 1, 3, 5 and 7 s, 25 of 50 frames each")
	require.Len(t, times, 900)
	for _, at := range times {
		in := at % (2 * time.Second)
		if at < 8*time.Second && in > time.Second && in < 1500*time.Millisecond {
			require.Zero(t, int(in/time.Millisecond)/10%2, "frame at %v", at)
		}
	}
}

// Frames that a fault holds back when the recording ends leave before the end.
func TestWhatIsHeldBackAtTheEndLeaves(t *testing.T) {
	times, touched, altered := played(t, 1, `
faults:
  - {fault: frames-late, params: {ids: "110", delay: 200}}
`)
	require.Len(t, times, 1000)
	require.Equal(t, 1000, touched)
	require.Greater(t, times[999], 10100*time.Millisecond)
	require.Zero(t, altered.Held+int(altered.Lost))
}

// Faults by chance follow the seed: the same gives the same, another another.
func TestChanceOfARecordingFollowsTheSeed(t *testing.T) {
	const file = `
faults:
  - {fault: frames-lost, random: {between: 1s, lasting: 100ms}}
`
	one, _, _ := played(t, 7, file)
	again, _, _ := played(t, 7, file)
	other, _, _ := played(t, 8, file)
	require.Less(t, len(one), 1000)
	require.Equal(t, one, again)
	require.NotEqual(t, one, other)
}

func TestMistakesInAFileOfFaults(t *testing.T) {
	for text, want := range map[string]string{
		"faults:\n  - {fault: frames-lost, when: rpm > 3}\n":                  "f.yaml:2:32: a condition, and no car whose state it could tell, expected a time",
		"faults:\n  - {fault: frames-lost, random: {rate: t, lasting: 1s}}\n": "f.yaml:2:41: a number of signals, and no car that has any, expected between",
		"faults:\n  - {fault: clutch-unlearned}\n":                            "f.yaml:2:13: \"clutch-unlearned\", expected one of consecutive-frame-lost",
		"scenario: x\n": "f.yaml:1:1: ",
		"faults:\n  - {fault: frames-lost, for: 2s, until: 3s}\n": "f.yaml:2:5: both \"until\" and \"for\"",
	} {
		dir := t.TempDir()
		file := filepath.Join(dir, "f.yaml")
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		_, err := scenarios.LoadFaults(file, bench.FrameFaults(), nil)
		require.Error(t, err, text)
		require.Contains(t, strings.TrimPrefix(err.Error(), dir+"/"), want)
	}
}
