package wire

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
)

// Worked example (ISO 11898-1:2015 clause 12.1, exception a to rule 3): alone on
// the bus every frame lacks acknowledgement: TEC 8, 16 .. 128 after 16 tries, and
// there it stays, error-passive for ever, never bus-off.
func TestAloneOnTheBus(t *testing.T) {
	r := newRig(t, Config{ReportErrors: true})
	a := r.node("a")
	f := canbus.New(0x123, 0x11, 0x22, 0x33, 0x44)
	a.send(f)
	var tecs []int
	var times []time.Duration
	r.bus.Tap(func(s canbus.Sighting) {
		if s.Frame.ID&classAck != 0 {
			tecs, times = append(tecs, int(s.Frame.Data[6])), append(times, s.Frame.Time)
		}
	})
	r.run(time.Second)
	require.Greater(t, len(tecs), 1000)
	for i, tec := range tecs {
		require.Equal(t, min(8*(i+1), 128), tec)
	}
	assert.Equal(t, Confinement{TEC: 128, State: ErrorPassive}, a.p.Confinement())
	assert.Empty(t, a.sent)
	assert.Equal(t, 1, a.p.Queued(), "it still tries")

	// 77 bits less ACK delimiter and EOF, 6 of flag, 8 of delimiter; then 3 of
	// intermission, and 8 of suspended transmission for an error-passive sender.
	assert.Equal(t, (77-8+14)*tbit, times[0])
	assert.Equal(t, (77-8+14+3)*tbit, times[1]-times[0])
	assert.Equal(t, (77-8+14+3+8)*tbit, times[100]-times[99])

	var states []string
	for _, line := range r.reports() {
		if line[7] == '4' { // class controller
			states = append(states, line)
		}
	}
	assert.Equal(t, []string{
		"20000204 / 00 08 00 00 00 00 60 00", // TX warning, TEC 96
		"20000204 / 00 20 00 00 00 00 80 00", // TX passive, TEC 128
	}, states)
	assert.Contains(t, r.reports(), "20000220 / 00 00 00 00 00 00 80 00", "no ACK, TEC 128")
}

// Worked example: one error needs 8 good frames to work off.
func TestOneErrorIsWorkedOffByEightFrames(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	r.bus.Disturb(func(tr Try) (Hit, bool) { return Hit{Bit: 30}, r.bus.Stats().Errors == 0 })
	f := canbus.New(0x123, 0x11, 0x22, 0x33, 0x44)
	var tecs, recs []int
	a.onSent = func(*canbus.Frame) {
		tec, _ := a.counters()
		_, rec := b.counters()
		tecs, recs = append(tecs, tec), append(recs, rec)
		if len(tecs) < 10 {
			a.send(f)
		}
	}
	a.send(f)
	r.run(time.Second)
	assert.Equal(t, []int{7, 6, 5, 4, 3, 2, 1, 0, 0, 0}, tecs)
	assert.Equal(t, []int{0, 0, 0, 0, 0, 0, 0, 0, 0, 0}, recs, "rule 1 once, rule 8 at the repetition")
	assert.Equal(t, uint64(1), b.p.Stats().RxErrors)
	assert.Equal(t, uint64(1), a.p.Stats().TxErrors)
	assert.Empty(t, r.reports(), "no state changed")
}

// Worked example: a bit error on every try, as with CANH shorted to CANL: 32
// tries, TEC 256, bus-off.
func TestShortedBusEndsBusOff(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	r.at(time.Millisecond, func() {
		r.bus.SetWiring(StuckRecessive)
		a.send(canbus.New(0x100))
		a.send(canbus.New(0x101))
	})
	r.run(time.Second)
	assert.Equal(t, Confinement{TEC: 256, State: BusOff}, a.p.Confinement())
	s := a.p.Stats()
	assert.Equal(t, uint64(32), s.TxErrors)
	assert.Equal(t, uint64(2), s.Dropped)
	assert.Equal(t, uint64(1), s.BusOffs)
	assert.Equal(t, Confinement{}, b.p.Confinement(), "a listener notices nothing")
	assert.Equal(t, []string{
		"20000204 / 00 08 00 00 00 00 60 00",
		"20000204 / 00 20 00 00 00 00 80 00",
		"20000040 / 00 00 00 00 00 00 00 00",
	}, r.reports())
	f := canbus.New(0x102)
	require.ErrorIs(t, a.p.Send(&f), canbus.ErrBusOff)
	assert.Equal(t, uint64(1), a.p.Stats().Refused)

	// 15 tries of 1 + 6 + 8 + 3 bits; from the 16th on the node is error-passive
	// and waits 8 more, 16 times; and the last.
	off := r.taps[len(r.taps)-1].Time
	assert.Equal(t, time.Millisecond+(15*18+16*26+15)*tbit, off)
}

// Every transmitter on a shorted bus ends bus-off; mended, all come back after
// the configured wait and 128 x 11 recessive bits, with their counters at 0.
func TestRecoveryAfterAShort(t *testing.T) {
	const wait = 50 * time.Millisecond
	r := newRig(t, Config{RecoverAfter: wait})
	nodes := []*testNode{r.node("a"), r.node("b"), r.node("c")}
	r.bus.SetWiring(StuckRecessive)
	for i, n := range nodes {
		n.send(canbus.New(canbus.ID(0x100 + i)))
	}
	offs, backs := map[string]time.Duration{}, map[string]time.Duration{}
	r.bus.Tap(func(s canbus.Sighting) {
		switch {
		case s.Frame.Flags&canbus.Error == 0:
		case s.Frame.ID&classBusOff != 0:
			offs[s.Sender] = s.Frame.Time
		case s.Frame.ID&classRestarted != 0:
			backs[s.Sender] = s.Frame.Time
		}
	})
	r.at(10*time.Millisecond, func() {
		for _, n := range nodes {
			assert.Equal(t, BusOff, n.p.Confinement().State)
		}
		r.bus.SetWiring(Sound)
	})
	r.at(time.Second, func() { nodes[0].send(canbus.New(0x55)) })
	r.run(2 * time.Second)
	require.Len(t, backs, 3)
	for name, off := range offs {
		assert.Equal(t, off+wait+128*11*tbit, backs[name], name)
	}
	for _, n := range nodes {
		assert.Equal(t, Confinement{}, n.p.Confinement())
	}
	assert.Len(t, nodes[2].received, 1)
	assert.Contains(t, r.reports(), "20000100 / 00 00 00 00 00 00 00 00")
}

// On a busy bus a back-to-back frame gives one run of 11 recessive bits (ACK
// delimiter, EOF, intermission), so coming back takes 128 frames.
func TestRecoveryOnABusyBus(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	r.node("c")
	f := canbus.New(0x555, 0x55)
	a.onSent = func(*canbus.Frame) { a.send(f) }
	a.send(f)
	var asked, back uint64
	r.at(10*time.Millisecond+tbit, func() {
		b.p.ForceBusOff()
		assert.NoError(t, b.p.Recover())
		assert.NoError(t, b.p.Recover(), "asking twice changes nothing")
		assert.True(t, b.p.Confinement().Recovering)
		asked = r.bus.Stats().Frames
	})
	r.bus.Tap(func(s canbus.Sighting) {
		if s.Frame.ID&classRestarted != 0 && s.Frame.Flags&canbus.Error != 0 {
			back = r.bus.Stats().Frames
		}
	})
	heard := 0
	b.onFrame = func(*canbus.Frame) {
		if back == 0 {
			heard++
		}
	}
	r.run(time.Second)
	assert.Equal(t, uint64(128), back-asked)
	assert.NotZero(t, heard, "before it was off")
	assert.Equal(t, Confinement{}, b.p.Confinement())
	assert.Greater(t, len(b.received), heard, "and again when back")
	require.ErrorIs(t, b.p.Recover(), ErrNotBusOff)
}

// Gaps count in whole runs of 11 bits: a silence of 8 + n bits before the next
// start bit holds (8 + n) / 11 of them.
func TestRecoveryCountsGaps(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	r.node("c")
	f := canbus.New(0x555, 0x55)
	n, _ := Bits(&f)
	const gap = 3 + 22 // bits from the end of EOF: 8 + 25 = 3 x 11 recessive
	for i := range 100 {
		r.at(time.Duration(i*(n+gap))*tbit, func() { a.send(f) })
	}
	r.at(tbit, func() {
		b.p.ForceBusOff()
		_ = b.p.Recover()
	})
	var back time.Duration
	r.bus.Tap(func(s canbus.Sighting) {
		if s.Frame.ID == classRestarted {
			back = s.Frame.Time
		}
	})
	r.run(time.Second)
	// 42 gaps of 3 runs are 126; the last two are in the gap behind frame 43.
	want := time.Duration(42*(n+gap)+n-8+2*11) * tbit
	assert.Equal(t, want, back)
}

// Rule 8: a receiver beyond 127 falls back to between 119 and 127 with the first
// good frame.
func TestGoodFrameLetsAPassiveReceiverBack(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	r.node("c")
	// b alone sees an error: rule 1 and rule 2 make 9 a time; 15 make 135.
	r.bus.Disturb(func(tr Try) (Hit, bool) { return Hit{Bit: 25, At: "b"}, tr.Attempt <= 15 })
	a.send(canbus.New(0x123, 0x11, 0x22))
	var before int
	r.bus.Disturb(func(Try) (Hit, bool) {
		_, before = b.counters()
		return Hit{}, false
	})
	r.run(time.Second)
	assert.Equal(t, 9*15, before)
	_, rec := b.counters()
	assert.GreaterOrEqual(t, rec, 119)
	assert.LessOrEqual(t, rec, 127)
	assert.Equal(t, ErrorWarning, b.p.Confinement().State)
	assert.Contains(t, r.reports(), "20000204 / 00 10 00 00 00 00 00 87", "RX passive, REC 135")
}

// The error state flag of an FD frame tells that its sender is error-passive.
func TestPassiveSenderSetsESI(t *testing.T) {
	r := newRig(t, Config{DataBitRate: 2_000_000})
	a, b := r.node("a"), r.node("b")
	r.bus.Disturb(always("a", 25, 17))
	a.send(canbus.NewFD(0x123, canbus.BitRateSwitch, 1, 2, 3))
	r.run(time.Second)
	require.Len(t, b.received, 1)
	assert.True(t, b.received[0].Has(canbus.ErrorPassive))
	assert.Len(t, a.sent, 1)
}

// A waiting error-passive sender lets another go first, whatever its identifier.
func TestSuspendTransmission(t *testing.T) {
	r := newRig(t, Config{})
	a, b := r.node("a"), r.node("b")
	r.node("c")
	r.bus.Disturb(func(tr Try) (Hit, bool) { return Hit{Bit: 25}, tr.Frame.Data[0] == 1 && tr.Attempt <= 17 })
	a.send(canbus.New(0x100, 1))
	a.send(canbus.New(0x100, 2))
	once := false
	a.onSent = func(*canbus.Frame) {
		if !once {
			once = true
			b.send(canbus.New(0x200))
		}
	}
	r.run(time.Second)
	var ids []canbus.ID
	for _, f := range r.taps {
		if f.Flags&canbus.Error == 0 {
			ids = append(ids, f.ID)
		}
	}
	assert.Equal(t, []canbus.ID{0x100, 0x200, 0x100}, ids)
}

func TestStatesHaveNames(t *testing.T) {
	assert.Equal(t, "error-active", ErrorActive.String())
	assert.Equal(t, "error-warning", ErrorWarning.String())
	assert.Equal(t, "error-passive", ErrorPassive.String())
	assert.Equal(t, "bus-off", BusOff.String())
	_, ok := newRig(t, Config{}).bus.State("nobody")
	assert.False(t, ok)
}
