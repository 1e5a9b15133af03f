package server

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"sawhorse/bench/ecu/ecutest"
	"sawhorse/bench/ecu/spec"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write what happened into the behaviour scripts")

// A behaviour script is a text file named as a sentence. Lines are
//
//	# comment
//	unit NAME              the unit's file without "ecu-" and ".yaml"; first
//	set READING VALUE ..   readings of the fake car
//	wait DURATION          time passes
//	ask BYTES [DURATION]   a physical request, and all answers within the time (49ms)
//	call BYTES [DURATION]  the same on the functional identifier
//	unlock [LEVEL]         security level 1, or that, with the right key
//	wrong-key              the same with a wrong one
//	fail CODE, pass CODE   the monitor of a code fails or passes for its whole time
//	show NAME              a learned value
//	forget NAME            a learned value or piece of identity is lost
//	power on|off, cycle begin|end, start, warm-up   supply and cycles
//
// and, indented, what happened: answers with the time since the request, and
// what the unit asked of the rest of the car. -update rewrites these.
func TestBehaviours(t *testing.T) {
	files, err := filepath.Glob("testdata/behaviour/*.txt")
	require.NoError(t, err)
	require.NotEmpty(t, files, "no scripts found: this test would prove nothing")
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			got := playScript(t, string(text))
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
				return
			}
			require.Equal(t, string(text), got, "%s (-update rewrites it)", file)
		})
	}
}

func playScript(t *testing.T, text string) string {
	var r *rig
	var out strings.Builder
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "  ") {
			continue
		}
		out.WriteString(line)
		words := strings.Fields(line)
		if len(words) == 0 || words[0] == "#" {
			continue
		}
		if words[0] == "unit" {
			r = newRig(t, loadUnit(t, "ecu-"+words[1]+".yaml"))
			r.plant.resets, r.plant.Steps, r.plant.Outputs, r.plant.Boots = nil, nil, nil, nil
			continue
		}
		for _, s := range r.play(words) {
			fmt.Fprintf(&out, "  %s\n", s)
		}
	}
	return out.String()
}

// play runs one line and returns what came of it.
func (r *rig) play(words []string) []string {
	r.t.Helper()
	before := *r.plant
	var got []string
	switch words[0] {
	case "set":
		for i := 1; i+1 < len(words); i += 2 {
			v, err := strconv.ParseFloat(words[i+1], 64)
			require.NoError(r.t, err)
			r.plant.Set(words[i], v)
		}
	case "wait":
		r.wait(duration(r.t, words[1]))
	case "ask", "call":
		got = r.exchange(words[0] == "call", words[1:])
	case "unlock", "wrong-key":
		level := 1
		if len(words) > 1 {
			level = int(words[1][0] - '0')
		}
		got = append(got, r.tryKey(level, words[0] == "unlock"))
	case "fail", "pass":
		r.test(words[1], words[0] == "fail")
	case "show":
		if v, ok := r.nv.Get(words[1]); ok {
			got = append(got, fmt.Sprint(v))
		} else {
			got = append(got, "not learned")
		}
	case "forget":
		r.nv.Erase(words[1])
	case "power":
		r.server.Power(r.now, words[1] == "on")
	case "cycle":
		if words[1] == "begin" {
			r.mem.BeginCycle()
		} else {
			r.mem.EndCycle()
		}
	case "start":
		r.mem.Started()
	case "warm-up":
		r.mem.WarmUp()
	default:
		r.t.Fatalf("no such line: %v", words)
	}
	return append(got, r.asked(&before)...)
}

func (r *rig) exchange(functional bool, words []string) []string {
	within := 49 * time.Millisecond
	if last := words[len(words)-1]; strings.HasSuffix(last, "s") {
		within, words = duration(r.t, last), words[:len(words)-1]
	}
	var got []string
	start := r.now
	r.server.Request(r.now, functional, ecutest.Bytes(r.t, strings.Join(words, "")))
	for r.now < start+within {
		for {
			a, ok := r.server.NextResponse()
			if !ok {
				break
			}
			got = append(got, fmt.Sprintf("%v %s", (r.now-start).Round(time.Millisecond), ecutest.Spaced(a)))
			r.server.Sent(r.now)
		}
		next := start + within
		if at, ok := r.server.Deadline(); ok {
			next = min(next, at)
		}
		r.now = max(r.now+time.Microsecond, next)
		r.server.Tick(r.now)
	}
	if len(got) == 0 {
		got = []string{"silence"}
	}
	return got
}

func (r *rig) tryKey(level int, right bool) string {
	seed := r.ask(fmt.Sprintf("27 %02X", 2*level-1))
	if !strings.HasPrefix(seed, "67") {
		return seed
	}
	l := slices.IndexFunc(r.spec.Security, func(x spec.Security) bool { return int(x.Level) == level })
	key := SecurityKey(r.spec.Security[l].Secret, [4]byte(ecutest.Bytes(r.t, seed)[2:]))
	if !right {
		key[3] ^= 1
	}
	return r.ask(fmt.Sprintf("27 %02X", 2*level) + ecutest.Spaced(key[:]))
}

// asked is what the unit has asked of the car since before.
func (r *rig) asked(before *plant) []string {
	var got []string
	p := r.plant
	for _, k := range p.resets[len(before.resets):] {
		got = append(got, fmt.Sprintf("reset %d", k))
	}
	if p.Receive != before.Receive || p.Transmit != before.Transmit {
		got = append(got, fmt.Sprintf("normal messages: receive %v, transmit %v", p.Receive, p.Transmit))
	}
	for _, on := range p.Boots[len(before.Boots):] {
		got = append(got, fmt.Sprintf("boot program %v", on))
	}
	for _, s := range p.Outputs[len(before.Outputs):] {
		got = append(got, "output "+s)
	}
	for _, s := range p.Steps[len(before.Steps):] {
		got = append(got, "routine "+s)
	}
	return got
}

func duration(t testing.TB, s string) time.Duration {
	d, err := time.ParseDuration(s)
	require.NoError(t, err)
	return d
}
