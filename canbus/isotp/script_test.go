package isotp_test

import (
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	. "sawhorse/canbus/isotp"
)

var update = flag.Bool("update", false, "rewrite the expected lines of the scripts")

// script runs one text of commands against one endpoint. Lines that begin with
// two spaces are what the command above them must bring about; every frame and
// event is printed. Commands:
//
//	endpoint KEY=VALUE ...   a new endpoint; time starts again (tx rx as in 7E0,
//	                         ext=TX,RX dl fd pad bs stmin wait max half dlc8 functional emission br= cs=)
//	manual                   do not confirm frames (default: at once)
//	at T                     Tick at T      now T      only let it be T
//	send HEX | send #N       Send these bytes, or N counting bytes 01 02 ..
//	rx ID HEX                Receive        fd ID HEX  the same in a CAN FD frame
//	sent, lost, reset, ready, busy          the calls of these names
//	deadline, ignored        print them
type script struct {
	t      *testing.T
	e      *Endpoint
	now    time.Duration
	manual bool
}

func TestScripts(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			got := (&script{t: t}).run(string(text))
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
				return
			}
			require.Equal(t, string(text), got)
		})
	}
}

func (s *script) run(text string) string {
	var out strings.Builder
	for i, line := range strings.Split(strings.TrimSuffix(text, "\n"), "\n") {
		if strings.HasPrefix(line, "  ") {
			continue
		}
		fmt.Fprintln(&out, line)
		if words := strings.Fields(line); len(words) > 0 && words[0] != "#" {
			require.NoError(s.t, s.command(&out, words), "line %d: %s", i+1, line)
			s.drain(&out)
		}
	}
	return out.String()
}

func (s *script) command(out *strings.Builder, w []string) error {
	var err error
	switch w[0] {
	case "endpoint":
		cfg := parseConfig(s.t, w[1:])
		s.now, s.manual = 0, false
		s.e, err = New(cfg)
	case "manual":
		s.manual = true
	case "at", "now":
		s.now, err = time.ParseDuration(w[1])
		if w[0] == "at" {
			s.e.Tick(s.now)
		}
	case "send":
		if err := s.e.Send(s.now, s.bytes(w[1:])); err != nil {
			fmt.Fprintf(out, "  error %v\n", err)
		}
	case "rx", "fd":
		f := canbus.Frame{}
		key := parseKey(s.t, w[1])
		f.ID = key.ID()
		if key.Extended() {
			f.Flags |= canbus.Extended
		}
		if w[0] == "fd" {
			f.Flags |= canbus.FD
		}
		f.Len = uint8(copy(f.Data[:], s.bytes(w[2:])))
		if !s.e.Receive(s.now, &f) {
			fmt.Fprintln(out, "  not ours")
		}
	case "sent":
		s.e.Sent(s.now)
	case "lost":
		s.e.Lost(s.now)
	case "reset":
		s.e.Reset(s.now)
	case "ready", "busy":
		s.e.SetReady(s.now, w[0] == "ready")
	case "deadline":
		at, ok := s.e.Deadline()
		fmt.Fprintf(out, "  deadline %v %v\n", at, ok)
	case "ignored":
		for r := Accepted; r <= WrongDLC; r++ {
			if n := s.e.Ignored(r); n > 0 {
				fmt.Fprintf(out, "  %d: %v\n", n, r)
			}
		}
	default:
		err = fmt.Errorf("unknown command %q", w[0])
	}
	return err
}

// drain prints what the endpoint has to say, events before frames.
func (s *script) drain(out *strings.Builder) {
	var f canbus.Frame
	var ev Event
	for {
		for s.e.NextEvent(&ev) {
			fmt.Fprintf(out, "  %s\n", describe(&ev))
		}
		if !s.e.NextFrame(&f) {
			return
		}
		fmt.Fprintf(out, "  frame %v %s\n", f.Key(), short(f.Payload()))
		if !s.manual {
			s.e.Sent(s.now)
		}
	}
}

func describe(ev *Event) string {
	way := map[bool]string{false: "sending", true: "receiving"}[ev.Receiving]
	switch ev.Kind {
	case Received:
		return fmt.Sprintf("received %d: %s", ev.Length, short(ev.Payload))
	case Started:
		return fmt.Sprintf("started %d", ev.Length)
	case Delivered:
		return fmt.Sprintf("delivered %d", ev.Length)
	}
	return fmt.Sprintf("failed %s %v after %d of %d", way, ev.Result, ev.Done, ev.Length)
}

// short is the hex of b, cut in the middle when long.
func short(b []byte) string {
	if len(b) > 80 {
		return fmt.Sprintf("% X .. % X", b[:4], b[len(b)-4:])
	}
	return fmt.Sprintf("% X", b)
}

// counting is n bytes 01 02 03 ..
func counting(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(i + 1)
	}
	return b
}

func (s *script) bytes(w []string) []byte {
	if len(w) == 1 && w[0][0] == '#' {
		n, err := strconv.Atoi(w[0][1:])
		require.NoError(s.t, err)
		return counting(n)
	}
	b, err := hex.DecodeString(strings.Join(w, ""))
	require.NoError(s.t, err)
	return b
}

func parseKey(t *testing.T, s string) canbus.Key {
	if s == "-" {
		return None
	}
	n, err := strconv.ParseUint(s, 16, 32)
	require.NoError(t, err)
	return canbus.KeyOf(canbus.ID(n), len(s) == 8)
}

func parseConfig(t *testing.T, w []string) Config {
	var c Config
	hexByte := func(s string) byte {
		n, err := strconv.ParseUint(s, 16, 8)
		require.NoError(t, err)
		return byte(n)
	}
	number := func(s string) int {
		n, err := strconv.Atoi(s)
		require.NoError(t, err)
		return n
	}
	span := func(s string) time.Duration {
		d, err := time.ParseDuration(s)
		require.NoError(t, err)
		return d
	}
	for _, word := range w {
		k, v, _ := strings.Cut(word, "=")
		switch k {
		case "emission":
			c = Emission(c.Address)
		case "tx":
			c.Tx = parseKey(t, v)
		case "rx":
			c.Rx = parseKey(t, v)
		case "ext":
			tx, rx, _ := strings.Cut(v, ",")
			c.HasExt, c.TxExt, c.RxExt = true, hexByte(tx), hexByte(rx)
		case "functional":
			c.Functional = true
		case "dl":
			c.TxDL = number(v)
		case "fd":
			c.FD = true
		case "pad":
			c.Pad, c.PadByte = true, hexByte(v)
		case "bs":
			c.BlockSize = hexByte(v)
		case "stmin":
			c.STmin = hexByte(v)
		case "wait":
			c.WaitMax = number(v)
		case "max":
			c.MaxLen = number(v)
		case "half":
			c.HalfDuplex = true
		case "dlc8":
			c.RequireDLC8 = true
		case "br":
			c.Timing.Br = span(v)
		case "cs":
			c.Timing.Cs = span(v)
		default:
			t.Fatalf("unknown setting %q", word)
		}
	}
	return c
}
