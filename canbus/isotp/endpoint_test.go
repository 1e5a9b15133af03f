package isotp_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	. "sawhorse/canbus/isotp"
)

// STmin values, ISO 15765-2:2016 table 20; the ranges also in Linux can/isotp.h.
func TestGap(t *testing.T) {
	for v := range 256 {
		want := 127 * time.Millisecond
		switch {
		case v < 0x80:
			want = time.Duration(v) * time.Millisecond
		case v > 0xF0 && v < 0xFA:
			want = time.Duration(v&0xF) * 100 * time.Microsecond
		}
		require.Equal(t, want, Gap(byte(v)), "%02X", v)
	}
	require.Equal(t, 500*time.Microsecond, Gap(0xF5))
	require.Equal(t, 20*time.Millisecond, Gap(0x14))
}

// Names of N_Result, ISO 15765-2:2016 clause 8.3.7.
func TestNames(t *testing.T) {
	for r, want := range map[Result]string{
		OK: "N_OK", TimeoutA: "N_TIMEOUT_A", TimeoutBs: "N_TIMEOUT_Bs", TimeoutCr: "N_TIMEOUT_Cr", WrongSN: "N_WRONG_SN",
		InvalidFS: "N_INVALID_FS", UnexpectedPDU: "N_UNEXP_PDU", WaitOverrun: "N_WFT_OVRN", BufferOverflow: "N_BUFFER_OVFLW",
		GeneralError: "N_ERROR", 77: "N_Result(77)",
	} {
		require.EqualError(t, r, want)
	}
	require.Equal(t, "data length is not 8", WrongDLC.String())
	require.Equal(t, "reason 200", Reason(200).String())
}

// Normal fixed and mixed identifiers: ISO 15765-2:2016 clause 10.3, ISO 15765-4.
func TestAddresses(t *testing.T) {
	tester := NormalFixed(0xF1, 0x10)
	require.Equal(t, "18DA10F1", tester.Tx.String())
	require.Equal(t, "18DAF110", tester.Rx.String())
	require.Equal(t, NormalFixed(0x10, 0xF1), tester.Reverse())
	require.Equal(t, "18DB33F1", NormalFixedFunctional(0xF1, 0x33).Tx.String())
	require.Equal(t, "18CE10F1", MixedFixed(0xF1, 0x10, 5).Tx.String())
	require.Equal(t, "18CD33F1", MixedFixedFunctional(0xF1, 0x33, 5).Tx.String())
	require.Equal(t, Extended(0x601, 0x600, 0x10, 0xF1), Extended(0x600, 0x601, 0xF1, 0x10).Reverse())
	require.Equal(t, Mixed(0x7A8, 0x7A0, 5), Mixed(0x7A0, 0x7A8, 5).Reverse())
}

func TestConfigErrors(t *testing.T) {
	ok := Enhanced(Normal(0x7E0, 0x7E8))
	for want, alter := range map[string]func(*Config){
		"isotp: TxDL 9, want one of 8 12 16 20 24 32 48 64": func(c *Config) { c.TxDL, c.FD = 9, true },
		"isotp: TxDL 64 without FD, want 8":                 func(c *Config) { c.TxDL = 64 },
		"isotp: TxDL -8, want one of":                       func(c *Config) { c.TxDL = -8 },
		"isotp: bit rate switch without FD":                 func(c *Config) { c.BRS = true },
		"isotp: TxDL 12 where 8 bytes are required":         func(c *Config) { c.TxDL, c.FD, c.RequireDLC8 = 12, true, true },
		"isotp: MaxLen -1":                                  func(c *Config) { c.MaxLen = -1 },
		"isotp: WaitMax -1":                                 func(c *Config) { c.WaitMax = -1 },
		"isotp: negative time":                              func(c *Config) { c.Timing.Cr = -1 },
		"isotp: address without an identifier":              func(c *Config) { c.Tx, c.Rx = None, None },
		"isotp: physical address with one direction":        func(c *Config) { c.Rx = None },
		"isotp: same identifier 7E0 for both directions":    func(c *Config) { c.Rx = c.Tx },
		"isotp: not a CAN frame: identifier 800":            func(c *Config) { c.Tx = 0x800 },
	} {
		c := ok
		alter(&c)
		_, err := New(c)
		require.ErrorContains(t, err, want)
	}
	e, err := New(Config{Address: Normal(0x7E0, 0x7E8)})
	require.NoError(t, err)
	require.Equal(t, ISOTiming, e.Config().Timing)
	require.Equal(t, 8, e.Config().TxDL)
	require.Equal(t, DefaultMaxLen, e.Config().MaxLen)
	require.ErrorIs(t, e.Send(0, nil), ErrEmpty)
	require.ErrorIs(t, e.Send(0, make([]byte, 0)), ErrEmpty)
	require.NoError(t, e.Send(0, []byte{1}))
	require.ErrorIs(t, e.Send(0, []byte{1}), ErrBusy)
}

// Frames that a physical bus cannot tell from ours by number alone.
func TestNotOurs(t *testing.T) {
	e, err := New(Enhanced(Extended(0x7E0, 0x7E8, 0xF1, 0x10)))
	require.NoError(t, err)
	for _, f := range []canbus.Frame{
		canbus.NewExtended(0x7E8, 0xF1, 1, 2),
		{ID: 0x7E8, Flags: canbus.Remote, Len: 3},
		{ID: 0x7E8, Flags: canbus.Error, Len: 8, Data: [64]byte{0xF1, 1, 2}},
		canbus.New(0x7E8),
		canbus.New(0x7E8, 0x10, 1, 2),
		{ID: 0x7E8, Len: 200, Data: [64]byte{0xF1, 1, 2}},
	} {
		require.False(t, e.Receive(0, &f), "%v", f.ID)
	}
}

// An announced length reserves nothing; data that come are kept as they come.
func TestAnnouncedLengthReservesNothing(t *testing.T) {
	cfg := Enhanced(Normal(0x7E0, 0x7E8))
	cfg.MaxLen = math.MaxUint32
	e, err := New(cfg)
	require.NoError(t, err)
	f := canbus.New(0x7E8, 0x10, 0, 0xFF, 0xFF, 0xFF, 0xFF, 1, 2)
	s := NewSniffer(SnifferConfig{MaxLen: math.MaxUint32})
	var ev Event
	r := testing.Benchmark(func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			e.Receive(0, &f)
			s.See(1, &f)
			for e.NextEvent(&ev) {
			}
			for _, ok := s.Next(); ok; _, ok = s.Next() {
			}
		}
	})
	require.Less(t, r.AllocedBytesPerOp(), int64(4096))
	require.Equal(t, math.MaxUint32, ev.Length)
}

// Events that nobody fetches keep their bytes, up to a bound that is counted.
func TestEventsWaitForTheirOwner(t *testing.T) {
	e, err := New(Enhanced(Normal(0x7E0, 0x7E8)))
	require.NoError(t, err)
	for i := range byte(20) {
		f := canbus.New(0x7E8, 1, i)
		e.Receive(0, &f)
	}
	require.EqualValues(t, 4, e.LostEvents())
	var ev Event
	for i := byte(4); e.NextEvent(&ev); i++ {
		require.Equal(t, []byte{i}, ev.Payload)
	}
}

// exchange moves one message from a to b at once and drains both.
func exchange(t testing.TB, a, b *Endpoint, msg []byte, s *Sniffer) {
	var f canbus.Frame
	var ev Event
	done := false
	if err := a.Send(0, msg); err != nil {
		t.Fatal(err)
	}
	for n := 0; !done; n++ {
		from, to := a, b
		if !from.NextFrame(&f) {
			if from, to = b, a; !from.NextFrame(&f) {
				t.Fatal("stuck")
			}
		}
		from.Sent(0)
		to.Receive(0, &f)
		if s != nil {
			for _, ok := s.See(n, &f); ok; _, ok = s.Next() {
			}
		}
		for b.NextEvent(&ev) {
			done = done || ev.Kind == Received && len(ev.Payload) == len(msg)
		}
		for a.NextEvent(&ev) {
		}
	}
}

func pair(t testing.TB, fd bool) (*Endpoint, *Endpoint) {
	ca := Enhanced(Normal(0x7E0, 0x7E8))
	if ca.FD = fd; fd {
		ca.TxDL = 64
	}
	ca.BlockSize = 8
	cb := ca
	cb.Address = ca.Reverse()
	a, err := New(ca)
	require.NoError(t, err)
	b, err := New(cb)
	require.NoError(t, err)
	return a, b
}

func TestSteadyStateAllocatesNothing(t *testing.T) {
	for _, fd := range []bool{false, true} {
		a, b := pair(t, fd)
		s := NewSniffer(SnifferConfig{})
		msg := counting(4095)
		exchange(t, a, b, msg, s) // the sniffer has two buffers to grow
		require.Zero(t, testing.AllocsPerRun(10, func() { exchange(t, a, b, msg, s) }))
	}
	s := NewSniffer(SnifferConfig{})
	other, long := canbus.New(0x123, 1, 2), canbus.NewExtended(0x0CF00400, 1, 2)
	require.Zero(t, testing.AllocsPerRun(100, func() { s.See(1, &other); s.See(2, &long) }))
}

func BenchmarkExchange4095(b *testing.B) {
	a, e := pair(b, false)
	msg := counting(4095)
	b.ReportAllocs()
	frames := 0
	for b.Loop() {
		exchange(b, a, e, msg, nil)
		frames += 1 + 585 + 74
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
}

func BenchmarkSnifferUnrelated(b *testing.B) {
	s := NewSniffer(SnifferConfig{})
	f := canbus.New(0x123, 1, 2, 3, 4, 5, 6, 7, 8)
	b.ReportAllocs()
	for b.Loop() {
		s.See(1, &f)
	}
}

func BenchmarkSnifferUnrelated29(b *testing.B) {
	s := NewSniffer(SnifferConfig{})
	f := canbus.NewExtended(0x0CF00400, 1, 2, 3, 4, 5, 6, 7, 8)
	b.ReportAllocs()
	for b.Loop() {
		s.See(1, &f)
	}
}
