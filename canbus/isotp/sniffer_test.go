package isotp_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	. "sawhorse/canbus/isotp"
)

// watch feeds frames a millisecond apart, numbered from 1, and gives back one
// line a message.
type watch struct {
	s   *Sniffer
	n   int
	now time.Duration
	out []string
}

func (w *watch) see(f canbus.Frame) {
	w.n++
	w.now += time.Millisecond
	f.Time = w.now
	for m, ok := w.s.See(w.n, &f); ok; m, ok = w.s.Next() {
		w.note(&m)
	}
}

func (w *watch) note(m *Message) {
	line := fmt.Sprintf("%v %d-%d %v-%v", m.Key, m.First, m.Last, m.Start, m.End)
	if m.HasExt {
		line += fmt.Sprintf(" ext %02X", m.Ext)
	}
	if m.Functional {
		line += " functional"
	}
	switch m.Kind {
	case Whole:
		line += fmt.Sprintf(" % X", m.Payload)
	case Partial:
		line += fmt.Sprintf(" %v %d of %d", m.Result, len(m.Payload), m.Length)
	case Control:
		line += fmt.Sprintf(" FC %d BS %d STmin %02X", m.Flow.Status, m.Flow.BlockSize, m.Flow.STmin)
	}
	w.out = append(w.out, line)
}

// Worked example B of the VIN answer, with traffic of others in between.
func TestSnifferSeesExchange(t *testing.T) {
	w := &watch{s: NewSniffer(SnifferConfig{})}
	w.see(canbus.New(0x7DF, 2, 9, 2, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC))
	w.see(canbus.New(0x123, 2, 9, 2))
	w.see(canbus.New(0x7E8, 0x10, 0x14, 0x49, 2, 1, 0x54, 0x45, 0x53))
	w.see(canbus.New(0x7E9, 0x06, 0x41, 0, 0x98, 0x18, 0x80, 0x01))
	w.see(canbus.New(0x7E0, 0x30, 0, 0, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC))
	w.see(canbus.New(0x7E8, 0x21, 0x54, 0x43, 0x41, 0x52, 0x30, 0x31, 0x32))
	w.see(canbus.New(0x7E8, 0x22, 0x33, 0x34, 0x35, 0x36, 0x37, 0x38, 0x39))
	w.see(canbus.Frame{ID: 0x7E8, Flags: canbus.Remote, Len: 8})
	w.see(canbus.Frame{ID: 0x7E8, Flags: canbus.Error, Len: 8})
	require.Equal(t, []string{
		"7DF 1-1 1ms-1ms functional 09 02",
		"7E9 4-4 4ms-4ms 41 00 98 18 80 01",
		"7E0 5-5 5ms-5ms FC 0 BS 0 STmin 00",
		"7E8 3-7 3ms-7ms 49 02 01 54 45 53 54 43 41 52 30 31 32 33 34 35 36 37 38 39",
	}, w.out)
}

func TestSnifferReportsIncomplete(t *testing.T) {
	ff := canbus.New(0x7E8, 0x10, 0x14, 0x49, 2, 1, 0x54, 0x45, 0x53)
	cf := func(sn byte) canbus.Frame { return canbus.New(0x7E8, 0x20|sn, 1, 2, 3, 4, 5, 6, 7) }
	fc := func(b ...byte) canbus.Frame { return canbus.New(0x7E0, b...) }
	last := func(w *watch) string { return w.out[len(w.out)-1] }
	for _, c := range []struct {
		name   string
		frames []canbus.Frame
		pause  time.Duration
		want   string
	}{
		{"wrong sequence number", []canbus.Frame{ff, fc(0x30, 0, 0), cf(1), cf(3)}, 0, "7E8 1-4 1ms-4ms N_WRONG_SN 13 of 20"},
		{"next first frame", []canbus.Frame{ff, fc(0x30, 0, 0), cf(1), ff}, 0, "7E8 1-3 1ms-3ms N_UNEXP_PDU 13 of 20"},
		{"overflow", []canbus.Frame{ff, fc(0x32, 0, 0)}, 0, "7E8 1-1 1ms-1ms N_BUFFER_OVFLW 6 of 20"},
		{"reserved flow status", []canbus.Frame{ff, fc(0x35, 0, 0)}, 0, "7E8 1-1 1ms-1ms N_INVALID_FS 6 of 20"},
		{"no flow control", []canbus.Frame{ff}, 1001 * time.Millisecond, "7E8 1-1 1ms-1ms N_TIMEOUT_Bs 6 of 20"},
		{"WAIT and no more", []canbus.Frame{ff, fc(0x31, 0, 0)}, 1001 * time.Millisecond, "7E8 1-1 1ms-1ms N_TIMEOUT_Bs 6 of 20"},
		{"no flow control after the block", []canbus.Frame{ff, fc(0x30, 1, 0), cf(1)}, 1001 * time.Millisecond, "7E8 1-3 1ms-3ms N_TIMEOUT_Bs 13 of 20"},
		{"no consecutive frame", []canbus.Frame{ff, fc(0x30, 0, 0), cf(1)}, 1001 * time.Millisecond, "7E8 1-3 1ms-3ms N_TIMEOUT_Cr 13 of 20"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := &watch{s: NewSniffer(SnifferConfig{})}
			for _, f := range c.frames {
				w.see(f)
			}
			if c.pause > 0 {
				before := len(w.out)
				w.s.Expire(w.now + c.pause - time.Millisecond)
				_, early := w.s.Next()
				require.False(t, early)
				require.Len(t, w.out, before)
				w.now += c.pause
				w.see(cf(2)) // the next of the stream finds it over, and is stray itself
				require.EqualValues(t, 1, w.s.Ignored(NotAwaited))
			}
			require.Equal(t, c.want, last(w))
		})
	}
	t.Run("expiry", func(t *testing.T) {
		w := &watch{s: NewSniffer(SnifferConfig{})}
		w.see(ff)
		w.see(canbus.NewExtended(0x18DAF110, 0x10, 9, 1, 2, 3, 4, 5, 6))
		w.s.Expire(time.Second + time.Millisecond)
		m, ok := w.s.Next()
		require.False(t, ok, "%+v", m)
		w.s.Expire(3 * time.Second)
		for m, ok := w.s.Next(); ok; m, ok = w.s.Next() {
			w.note(&m)
		}
		require.Equal(t, []string{
			"7E8 1-1 1ms-1ms N_TIMEOUT_Bs 6 of 20", "18DAF110 2-2 2ms-2ms N_TIMEOUT_Bs 6 of 9",
		}, w.out)
	})
	t.Run("end of the run", func(t *testing.T) {
		w := &watch{s: NewSniffer(SnifferConfig{})}
		w.see(ff)
		w.s.Finish()
		m, ok := w.s.Next()
		require.True(t, ok)
		w.note(&m)
		require.Equal(t, "7E8 1-1 1ms-1ms N_ERROR 6 of 20", last(w))
		w.s.Finish()
		_, ok = w.s.Next()
		require.False(t, ok)
	})
	t.Run("longer than is kept", func(t *testing.T) {
		w := &watch{s: NewSniffer(SnifferConfig{})}
		w.see(canbus.New(0x7E8, 0x10, 0, 0xFF, 0xFF, 0xFF, 0xFF, 1, 2))
		require.Equal(t, "7E8 1-1 1ms-1ms N_BUFFER_OVFLW 2 of 4294967295", last(w))
	})
}

// One frame may end a message and be the next: both come, in order, and both
// payloads can be read.
func TestSnifferGivesTwo(t *testing.T) {
	s := NewSniffer(SnifferConfig{})
	ff := canbus.New(0x7E8, 0x10, 9, 1, 2, 3, 4, 5, 6)
	sf := canbus.New(0x7E8, 2, 0x50, 3)
	_, ok := s.See(1, &ff)
	require.False(t, ok)
	a, ok := s.See(2, &sf)
	require.True(t, ok)
	require.Equal(t, UnexpectedPDU, a.Result)
	require.Equal(t, []byte{1, 2, 3, 4, 5, 6}, a.Payload)
	// Nobody fetched the second before the next See: it keeps its bytes.
	sf2 := canbus.New(0x7E8, 2, 0x7E, 0)
	b, ok := s.See(3, &sf2)
	require.True(t, ok)
	require.Equal(t, []byte{0x50, 3}, b.Payload)
	c, ok := s.Next()
	require.True(t, ok)
	require.Equal(t, []byte{0x7E, 0}, c.Payload)
}

func TestSnifferAddresses(t *testing.T) {
	w := &watch{s: NewSniffer(SnifferConfig{
		Pairs: []Address{Normal(0x7A0, 0x7A8), Extended(0x600, 0x601, 0xF1, 0x10), Extended(0x600, 0x601, 0xF1, 0x11), MixedFixed(0xF1, 0x20, 0xAE)},
		IDs:   []canbus.Key{0x5A5},
	})}
	w.see(canbus.New(0x7A8, 1, 0x7E))
	w.see(canbus.New(0x5A5, 1, 0x7F))
	w.see(canbus.New(0x5A6, 1, 0x7F))
	w.see(canbus.NewExtended(0x18DA10F1, 0x30, 0, 0))
	w.see(canbus.NewExtended(0x18DB33F1, 2, 1, 0))
	w.see(canbus.NewExtended(0x18DB33F1, 0x10, 8, 1, 2, 3, 4, 5, 6))
	w.see(canbus.NewExtended(0x000007E8, 2, 1, 0))
	w.see(canbus.New(0x600, 0x10, 0x10, 7, 1, 2, 3, 4, 5)) // two addresses on one identifier
	w.see(canbus.New(0x600, 0x11, 0x10, 8, 1, 2, 3, 4, 5))
	w.see(canbus.New(0x600, 0x12, 1, 5))
	w.see(canbus.New(0x601, 0xF1, 0x30, 0, 1))
	w.see(canbus.New(0x600, 0x11, 0x21, 6, 7, 8))
	w.see(canbus.New(0x600, 0x10, 0x21, 6, 7))
	w.see(canbus.New(0x600))
	w.see(canbus.NewExtended(0x18CEF120, 0xAE, 1, 9))
	require.Equal(t, []string{
		"7A8 1-1 1ms-1ms 7E",
		"5A5 2-2 2ms-2ms 7F",
		"18DA10F1 4-4 4ms-4ms FC 0 BS 0 STmin 00",
		"18DB33F1 5-5 5ms-5ms functional 01 00",
		"601 11-11 11ms-11ms ext F1 FC 0 BS 0 STmin 01",
		"600 9-12 9ms-12ms ext 11 01 02 03 04 05 06 07 08",
		"600 8-13 8ms-13ms ext 10 01 02 03 04 05 06 07",
		"18CEF120 15-15 15ms-15ms ext AE 09",
	}, w.out)
	require.EqualValues(t, 1, w.s.Ignored(Segmented))

	only := &watch{s: NewSniffer(SnifferConfig{OnlyThese: true, IDs: []canbus.Key{0x5A5}})}
	only.see(canbus.New(0x7E8, 1, 0x7E))
	only.see(canbus.NewExtended(0x18DAF110, 1, 0x7E))
	only.see(canbus.New(0x5A5, 1, 0x7E))
	require.Equal(t, []string{"5A5 3-3 3ms-3ms 7E"}, only.out)
}

// Every pair of node addresses at once is more than anybody has: the sniffer
// stops following new ones, so its memory is bounded.
func TestSnifferBoundsWhatItFollows(t *testing.T) {
	s := NewSniffer(SnifferConfig{})
	seen := 0
	for i := range 1 << 16 {
		f := canbus.NewExtended(0x18DA0000|canbus.ID(i), 1, 0x3E)
		if _, ok := s.See(i, &f); ok {
			seen++
		}
	}
	require.Greater(t, seen, 1000)
	require.Less(t, seen, 1100)
}
