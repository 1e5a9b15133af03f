package inspect_test

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/inspect"
	"sawhorse/canbus/isotp"
)

// talk is a conversation of whole messages, by ends of the transport of ISO 15765-2.
type talk struct {
	tool, unit isotp.Address
	answers    [][2]string // with their requests
}

// record plays the requests of talks one after the other and gives the frames in order,
// with periodic traffic of other identifiers between them.
func record(t testing.TB, rng *rand.Rand, talks ...talk) []canbus.Frame {
	t.Helper()
	var frames []canbus.Frame
	now := time.Duration(0)
	put := func(k canbus.Key, data []byte) {
		now += time.Duration(rng.IntN(900)+100) * time.Microsecond
		f := canbus.Frame{ID: k.ID(), Time: now, Len: uint8(len(data))}
		if k.Extended() {
			f.Flags = canbus.Extended
		}
		copy(f.Data[:], data)
		frames = append(frames, f)
		for range rng.IntN(4) { // what else is on a bus: counters, numbers, constants
			now += time.Duration(rng.IntN(400)+50) * time.Microsecond
			g := canbus.Frame{ID: canbus.ID(0x100 + rng.IntN(40)*8), Time: now, Len: 8}
			for i := range g.Data[:8] {
				g.Data[i] = byte(rng.IntN(256))
			}
			switch g.ID % 24 {
			case 0:
				g.Data[0] = 0x30 // always like a flow control
			case 8:
				g.Data[0], g.Data[1] = 0x02, 0x3E // always like a request
			}
			frames = append(frames, g)
		}
	}
	for _, k := range talks {
		for _, x := range k.answers {
			long(put, k.tool, k.unit, []byte(x[0]))
			long(put, k.unit, k.tool, []byte(x[1]))
		}
	}
	return frames
}

// long sends one message as the examples of ISO 15765-2 have it: a single frame, or a
// first frame, the flow control of the other end, and consecutive frames.
func long(put func(canbus.Key, []byte), from, to isotp.Address, message []byte) {
	head := func(a isotp.Address, pci ...byte) []byte {
		if a.HasExt {
			return append([]byte{a.TxExt}, pci...)
		}
		return pci
	}
	room := 7
	if from.HasExt {
		room = 6
	}
	pad := func(b []byte) []byte {
		for len(b) < 8 {
			b = append(b, 0xAA)
		}
		return b
	}
	if len(message) <= room {
		put(from.Tx, pad(append(head(from, byte(len(message))), message...)))
		return
	}
	put(from.Tx, append(head(from, 0x10|byte(len(message)>>8), byte(len(message))), message[:room-1]...))
	put(to.Tx, pad(head(to, 0x30, 0, 0)))
	rest, sn := message[room-1:], byte(1)
	for len(rest) > 0 {
		n := min(room, len(rest))
		put(from.Tx, pad(append(head(from, 0x20|sn&0xF), rest[:n]...)))
		rest, sn = rest[n:], sn+1
	}
}

// said are what a unit is asked and what it answers (ISO 14229-1, worked examples of
// clauses 9 to 11): session, identification, codes, a refusal.
func said() [][2]string {
	return [][2]string{
		{"\x10\x03", "\x50\x03\x00\x32\x01\xF4"},
		{"\x22\xF1\x90", "\x62\xF1\x90TESTCAR0123456789"},
		{"\x19\x02\x09", "\x59\x02\xFF\x08\x0A\x00\x2F\x03\x35\x00\x2C"},
		{"\x31\x01\x02\x03", "\x7F\x31\x22"},
		{"\x2E\xF1\x98WORKSHOP 1234567", "\x6E\xF1\x98"},
	}
}

func find(frames []canbus.Frame) []inspect.Conversation {
	d := inspect.NewFinder()
	for i := range frames {
		d.See(&frames[i])
	}
	return d.Conversations()
}

// Identifiers that no standard lays down, of 11 and of 29 bits, and extended addressing
// (ISO 15765-2 clause 10.3): found by what is said, and then read whole.
func TestConversationsAreFoundWhateverTheirIdentifiers(t *testing.T) {
	for _, c := range []struct {
		want string
		a    isotp.Address
	}{
		{"700 708", isotp.Normal(0x700, 0x708)},
		{"641 4F0", isotp.Normal(0x641, 0x4F0)},
		{"17FC0076 17FE0076", isotp.Normal(canbus.KeyOf(0x17FC0076, true), canbus.KeyOf(0x17FE0076, true))},
		{"6F1/12 612/F1", isotp.Extended(0x6F1, 0x612, 0xF1, 0x12)},
		{"18CE12F1/55 18CEF112/55", isotp.MixedFixed(0xF1, 0x12, 0x55)},
	} {
		for seed := range uint64(20) {
			frames := record(t, rand.New(rand.NewPCG(seed, 1)), talk{c.a, c.a.Reverse(), said()})
			found := find(frames)
			require.Len(t, found, 1, "%s, seed %d: %v", c.want, seed, found)
			require.Equal(t, c.want, fmt.Sprint(found[0].Request, " ", found[0].Answer))

			n := inspect.New(inspect.Options{Conversations: found})
			for i := range frames {
				n.See(&frames[i])
			}
			got := map[string]bool{}
			for _, m := range n.Report().Messages {
				require.Empty(t, m.Broken)
				got[fmt.Sprint(m.Answer, m.Data)] = true
			}
			for _, x := range said() {
				require.True(t, got[fmt.Sprintf("false%X", x[0])], "%X", x[0])
				require.True(t, got[fmt.Sprintf("true%X", x[1])], "%X", x[1])
			}
			require.Len(t, got, 2*len(said()))
		}
	}
}

// A tool with several units, and extended addresses on one identifier.
func TestSeveralUnitsAreFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "units")
		extended := rapid.Bool().Draw(t, "extended")
		var talks []talk
		want := map[string]bool{}
		for i := range n {
			a := isotp.Normal(canbus.Key(0x740+2*i), canbus.Key(0x760+2*i))
			if extended {
				a = isotp.Extended(0x6F1, canbus.Key(0x600+i), 0xF1, byte(i))
			}
			talks = append(talks, talk{a, a.Reverse(), said()})
			want[fmt.Sprintf("%v %v", a.Tx, a.Rx)] = true
		}
		seed := rapid.Uint64().Draw(t, "seed")
		got := map[string]bool{}
		for _, c := range find(record(noTB{}, rand.New(rand.NewPCG(seed, 2)), talks...)) {
			got[fmt.Sprintf("%v %v", c.Request.Key, c.Answer.Key)] = true
		}
		require.Equal(t, want, got)
	})
}

// noTB is for helpers that only mark themselves.
type noTB struct{ testing.TB }

func (noTB) Helper() {}

// What is no conversation is none: the published recording of a real drive has none
// beside those of the standard, in 36,712 frames.
func TestNothingIsFoundInARealDrive(t *testing.T) {
	dir := os.Getenv("SAWHORSE_CAPTURES")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	r, err := capture.Open(filepath.Join(dir, "drive-1.pcap.gz"))
	if errors.Is(err, os.ErrNotExist) {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skipf("the recorded drive is not there (SAWHORSE_CAPTURES): %v", err)
	}
	require.NoError(t, err)
	defer r.Close()
	d := inspect.NewFinder()
	var f canbus.Frame
	seen := 0
	for err = r.Next(&f); err == nil; err = r.Next(&f) {
		d.See(&f)
		seen++
	}
	require.ErrorIs(t, err, io.EOF)
	require.Equal(t, 36712, seen)
	require.Empty(t, d.Conversations())
}

func TestPairsAreReadAsTheyAreWritten(t *testing.T) {
	for _, text := range []string{"700:708", "17FC0076:17FE0076", "6F1/12:612/F1", "6F1/EF:", "18CE12F1/55:18CEF112/55"} {
		c, err := inspect.ParseConversation(text)
		require.NoError(t, err)
		require.Equal(t, text, fmt.Sprintf("%v:%v", c.Request, c.Answer))
	}
	for text, want := range map[string]string{
		"": "identifier", "700:xyz": "identifier", "6F1/1:612": "address byte", "700:700": "the same", "6F1/123:612/F1": "two hexadecimal digits", "FFF:700": "identifier",
	} {
		_, err := inspect.ParseConversation(text)
		require.ErrorContains(t, err, want, text)
	}
}

func FuzzFinder(f *testing.F) {
	f.Add([]byte{2, 0x10, 3}, []byte{2, 0x50, 3}, uint16(0x700), uint16(0x708))
	f.Fuzz(func(t *testing.T, a, b []byte, x, y uint16) {
		d := inspect.NewFinder()
		for i := range 20 {
			for k, data := range [][]byte{a, b} {
				g := canbus.Frame{ID: canbus.ID([]uint16{x, y}[k] & 0x7FF), Time: time.Duration(i) * time.Millisecond, Len: uint8(min(len(data), 8))}
				copy(g.Data[:8], data)
				d.See(&g)
			}
		}
		for _, c := range d.Conversations() {
			require.NotEqual(t, c.Request, c.Answer)
		}
	})
}
