package isotp_test

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	. "sawhorse/canbus/isotp"
)

// conversation is the frames of one message from a to b, with its flow control,
// a millisecond apart from start.
func conversation(t *testing.T, a, b Config, msg []byte, start time.Duration) []canbus.Frame {
	from, err := New(a)
	require.NoError(t, err)
	to, err := New(b)
	require.NoError(t, err)
	require.NoError(t, from.Send(start, msg))
	var out []canbus.Frame
	var f canbus.Frame
	for now := start; ; now += time.Millisecond {
		e, peer := from, to
		if !e.NextFrame(&f) {
			if e, peer = to, from; !e.NextFrame(&f) {
				return out
			}
		}
		e.Sent(now)
		f.Time = now
		out = append(out, f)
		peer.Receive(now, &f)
	}
}

// writePcap writes frames as LINKTYPE_CAN_SOCKETCAN (227): a can_id in network
// byte order, length, FD flags, two bytes, data (pcap-linktype manual page).
func writePcap(t *testing.T, file string, frames []canbus.Frame) {
	var b bytes.Buffer
	put := func(v any) { require.NoError(t, binary.Write(&b, binary.LittleEndian, v)) }
	put([]uint32{0xA1B23C4D, 4<<16 | 2, 0, 0, 65535, 227})
	for i := range frames {
		f := &frames[i]
		n := 8 + uint32(f.Len)
		put([]uint32{uint32(f.Time / time.Second), uint32(f.Time % time.Second), n, n})
		b.Write(binary.BigEndian.AppendUint32(nil, f.WireID()))
		b.Write([]byte{f.Len, f.FDFlags(), 0, 0})
		b.Write(f.Payload())
	}
	require.NoError(t, os.WriteFile(file, b.Bytes(), 0o644))
}

// tshark lists "frame identifier bytes" of the messages it reassembles.
func tshark(t *testing.T, file string) []string {
	out, err := exec.Command("tshark", "-r", file, "-d", "can.subdissector,iso15765", "-d", "iso15765.subdissector,data",
		"-T", "fields", "-e", "frame.number", "-e", "can.id", "-e", "data.data",
		"-Y", "iso15765.message_type == 0 || iso15765.reassembled.length").Output()
	require.NoError(t, err)
	var got []string
	for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		w := strings.Fields(line)
		require.Len(t, w, 3, line)
		id, err := strconv.Atoi(w[1])
		require.NoError(t, err)
		got = append(got, fmt.Sprintf("%s %X %s", w[0], id, w[2]))
	}
	return got
}

// tshark's own reassembly and ours find the same messages, at the same frames.
func TestTsharkFindsSameMessages(t *testing.T) {
	if _, err := exec.LookPath("tshark"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("tshark is missing, and this is CI")
		}
		t.Skip("no tshark here: install it to compare reassembly with an independent one")
	}
	// One message after the other: tshark 4.0.17 mixes up the fragments of
	// identifiers that interleave.
	var frames []canbus.Frame
	var want [][]byte
	for i, n := range []int{1, 6, 7, 8, 9, 13, 14, 20, 34, 62, 63, 100, 120, 255, 256, 1000, 4095, 4096} {
		for _, dl := range []int{8, 12, 24, 64} {
			a := Enhanced(Normal(0x7E0+canbus.Key(i%8), 0x7E8+canbus.Key(i%8)))
			a.BlockSize, a.FD, a.TxDL, a.MaxLen = byte(i%4), dl > 8, dl, 5000
			b := a
			b.Address = a.Reverse()
			msg := counting(n)
			msg[0] = byte(0x40 + i)
			want = append(want, msg)
			frames = append(frames, conversation(t, a, b, msg, time.Duration(len(want))*5*time.Second)...)
		}
	}
	file := filepath.Join(t.TempDir(), "messages.pcap")
	writePcap(t, file, frames)

	s := NewSniffer(SnifferConfig{})
	var ours []string
	var payloads [][]byte
	for i := range frames {
		for m, ok := s.See(i+1, &frames[i]); ok; m, ok = s.Next() {
			require.NotEqual(t, Partial, m.Kind, "%+v", m)
			if m.Kind == Whole {
				ours = append(ours, fmt.Sprintf("%d %X %s", m.Last, uint32(m.Key), hex.EncodeToString(m.Payload)))
				payloads = append(payloads, bytes.Clone(m.Payload))
			}
		}
	}
	require.Equal(t, want, payloads)
	theirs := tshark(t, file)
	require.Len(t, theirs, len(ours))
	for i := range ours {
		require.Equal(t, theirs[i], ours[i])
	}
}
