package isotp_test

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
	. "sawhorse/canbus/isotp"
)

// naive reassembles the data fields of one identifier (normal addressing, all
// flow control given at once, nothing late) by looking ahead from each first
// frame. It is a second reading of the rules that shares nothing with the first:
// whole messages as text, endings that are not N_OK by name.
func naive(fields [][]byte, maxLen int) []string {
	var out []string
	for i := 0; i < len(fields); i++ {
		if s, ok := naiveSingle(fields[i]); ok {
			out = append(out, fmt.Sprintf("message % X", s))
			continue
		}
		n, head, ok := naiveFirst(fields[i])
		if !ok || n > maxLen {
			continue
		}
		got, want, j := append([]byte(nil), head...), 1, i+1
	look:
		for ; j < len(fields) && len(got) < n; j++ {
			f := fields[j]
			_, isSingle := naiveSingle(f)
			_, _, isFirst := naiveFirst(f)
			switch {
			case isSingle || isFirst:
				out = append(out, "N_UNEXP_PDU")
				break look
			case len(f) == 0 || f[0]>>4 != 2:
				continue
			case len(f) > len(fields[i]), len(f) < len(fields[i]) && len(f)-1 < n-len(got):
				continue
			case int(f[0]&15) != want%16:
				out = append(out, "N_WRONG_SN")
				j++
				break look
			}
			got = append(got, f[1:]...)
			want++
		}
		if len(got) >= n {
			out = append(out, fmt.Sprintf("message % X", got[:n]))
		}
		i = j - 1
	}
	return out
}

func naiveSingle(f []byte) ([]byte, bool) {
	if len(f) == 0 || f[0]>>4 != 0 {
		return nil, false
	}
	if len(f) <= 8 {
		n := int(f[0])
		if n < 1 || n >= len(f) {
			return nil, false
		}
		return f[1 : n+1], true
	}
	if f[0] != 0 || f[1] < 8 || int(f[1]) > len(f)-2 {
		return nil, false
	}
	return f[2 : int(f[1])+2], true
}

func naiveFirst(f []byte) (int, []byte, bool) {
	if len(f) < 8 || f[0]>>4 != 1 {
		return 0, nil, false
	}
	n, head := int(f[0]&15)*256+int(f[1]), f[2:]
	if n == 0 {
		n = int(f[2])<<24 + int(f[3])<<16 + int(f[4])<<8 + int(f[5])
		if head = f[6:]; n < 4096 {
			return 0, nil, false
		}
	}
	least := 8
	if len(f) > 8 {
		least = len(f) - 1
	}
	return n, head, n >= least
}

// drawFields is a stream of messages, cut into frames and then altered.
func drawFields(t *rapid.T) [][]byte {
	var fields [][]byte
	size := rapid.SampledFrom([]int{8, 8, 12, 64}).Draw(t, "size")
	for range rapid.IntRange(1, 6).Draw(t, "messages") {
		n := rapid.IntRange(0, 160).Draw(t, "length")
		msg := counting(n)
		switch {
		case n <= 7:
			fields = append(fields, append([]byte{byte(n)}, msg...))
			continue
		case size > 8 && n <= size-2:
			f := make([]byte, canbus.LengthOf(canbus.DLC(n+2)))
			f[1] = byte(copy(f[2:], msg))
			fields = append(fields, f)
			continue
		}
		fields = append(fields, append([]byte{0x10 | byte(n>>8), byte(n)}, msg[:size-2]...))
		for sn, rest := 1, msg[size-2:]; len(rest) > 0; sn++ {
			k := min(size-1, len(rest))
			f := make([]byte, canbus.LengthOf(canbus.DLC(k+1)))
			f[0] = 0x20 | byte(sn&15)
			copy(f[1:], rest[:k])
			fields, rest = append(fields, f), rest[k:]
		}
	}
	for range rapid.IntRange(0, 4).Draw(t, "alters") {
		i := rapid.IntRange(0, len(fields)-1).Draw(t, "which")
		switch rapid.IntRange(0, 4).Draw(t, "how") {
		case 0:
			fields[i] = nil
		case 1:
			fields = append(fields[:i+1], fields[i:]...)
		case 2:
			j := rapid.IntRange(0, len(fields)-1).Draw(t, "with")
			fields[i], fields[j] = fields[j], fields[i]
		case 3:
			n := canbus.LengthOf(rapid.ByteRange(0, 15).Draw(t, "new DLC"))
			fields[i] = rapid.SliceOfN(rapid.Byte(), n, n).Draw(t, "new")
		case 4:
			if len(fields[i]) > 0 {
				fields[i] = bytes.Clone(fields[i])
				fields[i][0] = rapid.Byte().Draw(t, "new PCI")
			}
		}
	}
	return fields
}

func TestEndpointAndSnifferAgreeWithNaive(t *testing.T) {
	messages := 0
	rapid.Check(t, func(t *rapid.T) {
		fields := drawFields(t)
		want := naive(fields, 150)
		messages += len(want)
		cfg := Enhanced(Normal(0x7E0, 0x7E8))
		cfg.MaxLen = 150
		e, err := New(cfg)
		require.NoError(t, err)
		s := NewSniffer(SnifferConfig{MaxLen: 150})
		var byEndpoint, bySniffer []string
		for i, field := range fields {
			f := frameOf(0x7E8, field)
			f.Time = time.Duration(i) * time.Millisecond
			require.True(t, e.Receive(f.Time, &f))
			byEndpoint = append(byEndpoint, endings(e, f.Time)...)
			for m, ok := s.See(i, &f); ok; m, ok = s.Next() {
				bySniffer = append(bySniffer, ending(&m)...)
			}
		}
		require.Equal(t, want, byEndpoint)
		require.Equal(t, want, bySniffer)
	})
	require.NotZero(t, messages)
}

func frameOf(id canbus.ID, field []byte) canbus.Frame {
	f := canbus.Frame{ID: id}
	if len(field) > 8 {
		f.Flags = canbus.FD
	}
	f.Len = uint8(copy(f.Data[:], field))
	return f
}

// endings drains an endpoint whose frames all leave at once.
func endings(e *Endpoint, now time.Duration) (out []string) {
	var ev Event
	var f canbus.Frame
	for e.NextFrame(&f) {
		e.Sent(now)
	}
	for e.NextEvent(&ev) {
		switch ev.Kind {
		case Received:
			out = append(out, fmt.Sprintf("message % X", ev.Payload))
		case Failed:
			out = append(out, ev.Result.String())
		}
	}
	return out
}

func ending(m *Message) []string {
	switch {
	case m.Kind == Whole:
		return []string{fmt.Sprintf("message % X", m.Payload)}
	case m.Kind == Partial && m.Result != BufferOverflow:
		return []string{m.Result.String()}
	}
	return nil
}

func TestNaiveFindsTheWorkedExample(t *testing.T) {
	require.Equal(t, []string{"N_UNEXP_PDU", "message 41 0C 09 70"}, naive([][]byte{
		{0x10, 0x14, 0x49, 2, 1, 0x54, 0x45, 0x53}, {0x21, 0x54, 0x43, 0x41, 0x52, 0x30, 0x31, 0x32},
		{4, 0x41, 0x0C, 9, 0x70, 0xCC, 0xCC, 0xCC},
	}, 4095))
}
