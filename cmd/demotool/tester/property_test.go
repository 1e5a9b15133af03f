package tester

import (
	"bytes"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
)

// noise feeds a tester from a string of bytes: each frame's identifier, delay
// and data, or a mangled answer to what it asked. It returns the virtual time
// at which the tester was done, and fails if that is beyond its limit.
type noise struct {
	t    testing.TB
	tool *Tester
	now  time.Duration
	src  []byte
	// limit of the task
	limit time.Duration
}

func (n *noise) next() byte {
	if len(n.src) == 0 {
		return 0
	}
	b := n.src[0]
	n.src = n.src[1:]
	return b
}

var noiseIDs = []canbus.Key{
	standard(0x7E8), standard(0x7E9), standard(0x7EF), standard(0x7A8), standard(0x7DF), standard(0x7E0),
	canbus.KeyOf(0x18DAF110, true), canbus.KeyOf(0x18DAF1FF, true), canbus.KeyOf(0x7E8, true), standard(0x123),
}

// frame makes one frame: an answer that begins like the right one, or anything.
func (n *noise) frame(asked []byte) canbus.Frame {
	k := noiseIDs[int(n.next())%len(noiseIDs)]
	f := canbus.Frame{ID: k.ID(), Len: 8}
	if k.Extended() {
		f.Flags = canbus.Extended
	}
	switch n.next() % 8 {
	case 0, 1, 2: // positive, with the echo of the request
		f.Data[0], f.Data[1] = 7, asked[0]+0x40
		copy(f.Data[2:], asked[1:])
		for i := 1 + len(asked); i < 8; i++ {
			f.Data[i] = n.next()
		}
	case 3: // negative
		f.Data[0], f.Data[1], f.Data[2] = 3, 0x7F, asked[0]
		f.Data[3] = []byte{0x78, 0x21, 0x22, 0x31, 0x7F, 0x7E, 0x83, n.next()}[n.next()%8]
	case 4: // first frame
		f.Data[0], f.Data[1], f.Data[2] = 0x10, 8+n.next()%40, asked[0]+0x40
		copy(f.Data[3:], asked[1:])
	case 5: // consecutive frame
		f.Data[0] = 0x20 | n.next()&15
		f.Data[1] = n.next()
	default:
		for i := range f.Data[:8] {
			f.Data[i] = n.next()
		}
		f.Len = n.next() % 9
		clear(f.Data[f.Len:])
	}
	return f
}

func (n *noise) run() {
	asked := []byte{0x01, 0x00}
	var f canbus.Frame
	for events := 0; ; events++ {
		require.Less(n.t, events, 1_000_000, "no end in sight at %v", n.now)
		for n.tool.NextFrame(&f) {
			if f.Data[0] > 0 && !isSegment(&f) {
				asked = slices.Clone(f.Data[1 : 1+min(f.Data[0], 7)])
			}
			if n.next()%16 != 1 { // now and then a frame is never confirmed
				n.tool.Sent(n.now, &f)
			}
		}
		for {
			if _, ok := n.tool.NextLine(); !ok {
				break
			}
		}
		if _, ok := n.tool.Done(); ok {
			break
		}
		at, ok := n.tool.Deadline()
		require.True(n.t, ok)
		if n.next()%4 != 0 && len(n.src) > 0 {
			n.now += time.Duration(n.next()) * time.Millisecond
			g := n.frame(asked)
			n.tool.Receive(n.now, &g)
		} else {
			n.now = max(n.now, at)
		}
		if n.now >= at {
			n.tool.Tick(n.now)
		}
	}
	require.LessOrEqual(n.t, n.now, n.limit+closingWait+time.Second)
	d := json.NewDecoder(bytes.NewReader(n.tool.Output()))
	d.DisallowUnknownFields()
	var doc Document
	require.NoError(n.t, d.Decode(&doc))
}

func noisyTester(t testing.TB, task, seed byte, src []byte) *noise {
	cfg := Config{Task: Tasks()[int(task)%len(Tasks())]}
	if cfg.Task == "learn" {
		cfg.Position = Positions[int(seed)%len(Positions)]
	}
	if cfg.Task == "drive-output" {
		cfg.Output = Outputs[int(seed)%len(Outputs)]
	}
	if cfg.Task == "write-identity" {
		cfg.VIN = "11111111111111111"
	}
	tool, err := New(cfg)
	require.NoError(t, err)
	return &noise{t: t, tool: tool, src: src, limit: LimitOf(cfg.Task, cfg.Position)}
}

// TestArbitraryAnswers: whatever is answered, the tester ends within its limit
// with a document, and does not panic.
func TestArbitraryAnswers(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		src := rapid.SliceOfN(rapid.Byte(), 0, 3000).Draw(r, "answers")
		n := noisyTester(t, rapid.Byte().Draw(r, "task"), rapid.Byte().Draw(r, "position"), src)
		n.run()
	})
}

// FuzzAnswers is the same for the fuzzer.
func FuzzAnswers(f *testing.F) {
	f.Add(byte(1), byte(0), []byte{1, 1, 5, 0, 0, 0xBE, 0x3F, 0xB9, 0x93})
	f.Add(byte(5), byte(0), bytes.Repeat([]byte{1, 2, 0, 3, 7, 1, 1, 5, 0, 1, 0xFF}, 40))
	f.Add(byte(4), byte(1), bytes.Repeat([]byte{1, 1, 0, 4, 30, 0, 9, 1, 2, 0, 5, 1, 2, 3}, 30))
	f.Fuzz(func(t *testing.T, task, seed byte, src []byte) {
		if len(src) > 20_000 {
			t.Skip()
		}
		noisyTester(t, task, seed, src).run()
	})
}
