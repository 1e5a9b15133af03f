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

// trouble is what the simulated bus does to one frame.
type trouble uint8

const (
	fine trouble = iota
	drop
	duplicate
	delay      // behind up to late/frameTime others
	echo       // and once more, late
	noConfirm  // arrives, but the sender is not told
	neverLeave // neither
	corrupt    // the canary's: one data byte changed
)

const (
	frameTime = 250 * time.Microsecond
	// Sequence numbers have 4 bits: a frame that is 15 frames late could pass
	// for another, which no receiver can tell. The bus keeps well below.
	late = 8 * frameTime
)

// side is one end of the simulation and what it has reported.
type side struct {
	e        *Endpoint
	sent     []byte
	received [][]byte
	results  []Result // of Send: OK is Delivered
	failures []Result // of receptions
	ready    time.Duration
}

// sim is two endpoints on a bus with troubles, in virtual time.
type sim struct {
	now      time.Duration
	sides    [2]side
	todo     []arrival
	troubles []trouble
	frames   int
	steps    int
}

// arrival is one thing that happens to one side.
type arrival struct {
	at      time.Duration
	to      int
	confirm bool
	f       canbus.Frame
}

func newSim(a, b Config, troubles []trouble) (*sim, error) {
	s := &sim{troubles: troubles}
	for i, cfg := range []Config{a, b} {
		e, err := New(cfg)
		if err != nil {
			return nil, err
		}
		s.sides[i].e = e
	}
	return s, nil
}

// put takes a frame of side i to the bus.
func (s *sim) put(i int, f *canbus.Frame) {
	what := fine
	if s.frames < len(s.troubles) {
		what = s.troubles[s.frames]
	}
	s.frames++
	at := s.now + frameTime
	to := func(d time.Duration) { s.todo = append(s.todo, arrival{at: at + d, to: 1 - i, f: *f}) }
	switch what {
	case fine, noConfirm:
		to(0)
	case duplicate:
		to(0)
		to(0)
	case delay:
		to(late)
	case echo:
		to(0)
		to(late)
	case corrupt:
		f.Data[f.Len-1] ^= 1
		to(0)
	}
	if what != noConfirm && what != neverLeave {
		s.todo = append(s.todo, arrival{at: at, to: i, confirm: true})
	}
}

// settle lets both sides speak.
func (s *sim) settle() {
	var ev Event
	var f canbus.Frame
	for i := range s.sides {
		d := &s.sides[i]
		for d.e.NextEvent(&ev) {
			switch {
			case ev.Kind == Received:
				d.received = append(d.received, bytes.Clone(ev.Payload))
			case ev.Kind == Delivered:
				d.results = append(d.results, OK)
			case ev.Kind == Failed && ev.Receiving:
				d.failures = append(d.failures, ev.Result)
			case ev.Kind == Failed:
				d.results = append(d.results, ev.Result)
			}
		}
		for d.e.NextFrame(&f) {
			s.put(i, &f)
		}
	}
}

// next is the moment of the next happening.
func (s *sim) next() (time.Duration, bool) {
	at, ok := time.Duration(0), false
	see := func(t time.Duration) {
		if !ok || t < at {
			at, ok = t, true
		}
	}
	for i := range s.todo {
		see(s.todo[i].at)
	}
	for i := range s.sides {
		d := &s.sides[i]
		if t, set := d.e.Deadline(); set {
			see(t)
		}
		if d.ready > s.now {
			see(d.ready)
		}
	}
	return at, ok
}

// run sends the messages (nil: none) and goes on until nothing is left to do.
func (s *sim) run(messages [2][]byte) error {
	for i := range s.sides {
		d := &s.sides[i]
		d.received, d.results, d.failures = nil, nil, nil
		if d.sent = messages[i]; d.sent == nil {
			continue
		}
		if err := d.e.Send(s.now, d.sent); err != nil {
			return err
		}
	}
	s.settle()
	start := s.now
	for {
		at, ok := s.next()
		if !ok {
			break
		}
		if at < s.now {
			return fmt.Errorf("deadline %v lies before %v", at, s.now)
		}
		if s.steps++; s.steps > 500_000 || at > start+time.Hour {
			return fmt.Errorf("hangs: step %d at %v", s.steps, at)
		}
		s.step(at)
	}
	for i := range s.sides {
		if !s.sides[i].e.Idle() {
			return fmt.Errorf("side %d has no deadline but is not idle", i)
		}
	}
	return nil
}

func (s *sim) step(at time.Duration) {
	s.now = at
	for i := 0; i < len(s.todo); {
		a := s.todo[i]
		if a.at > at {
			i++
			continue
		}
		s.todo = append(s.todo[:i], s.todo[i+1:]...)
		if a.confirm {
			s.sides[a.to].e.Sent(at)
		} else {
			s.sides[a.to].e.Receive(at, &a.f)
		}
		s.settle()
		i = 0
	}
	for i := range s.sides {
		d := &s.sides[i]
		if d.ready != 0 && d.ready <= at {
			d.e.SetReady(at, true)
			d.ready = 0
		}
		d.e.Tick(at)
	}
	s.settle()
}

// judge says what is wrong with the outcome of the message from side i. A lost
// single frame is nobody's error here: it is not acknowledged, so the layer above
// has to miss its answer (ISO 15765-2:2016 clause 9.8.1).
func (s *sim) judge(i int, clean bool) error {
	from, to := &s.sides[i], &s.sides[1-i]
	if from.sent == nil {
		if len(to.received) > 0 {
			return fmt.Errorf("side %d received %d bytes that nobody sent", 1-i, len(to.received[0]))
		}
		return nil
	}
	if len(from.results) != 1 {
		return fmt.Errorf("one message ended %d times: %v", len(from.results), from.results)
	}
	for _, got := range to.received {
		if !bytes.Equal(got, from.sent) {
			return fmt.Errorf("received % X, sent % X", got, from.sent)
		}
	}
	segmented := len(from.sent) > singleMax(from.e.Config())
	if from.results[0] == OK && segmented && len(to.received) == 0 && len(to.failures) == 0 {
		return fmt.Errorf("%d bytes were lost without a word", len(from.sent))
	}
	if clean && (from.results[0] != OK || len(to.received) != 1 || len(to.failures) != 0) {
		return fmt.Errorf("clean bus: sender %v, received %d times, receiver failed %v", from.results[0], len(to.received), to.failures)
	}
	return nil
}

func singleMax(c Config) int {
	n := 7
	if c.TxDL > 8 {
		n = c.TxDL - 2
	}
	if c.HasExt {
		n--
	}
	return n
}

// addresses are one of each mode of addressing.
var addresses = []Address{
	Normal(0x7E0, 0x7E8),
	NormalFixed(0xF1, 0x10),
	Extended(0x600, 0x601, 0xF1, 0x10),
	Mixed(0x7A0, 0x7A8, 0x33),
	MixedFixed(0xF1, 0x10, 0x33),
}

func drawConfig(t *rapid.T, name string, a Address, fd bool) Config {
	c := Config{Address: a, FD: fd, BRS: fd}
	if fd {
		c.TxDL = rapid.SampledFrom([]int{8, 12, 16, 20, 24, 32, 48, 64}).Draw(t, name+" TxDL")
	}
	c.Pad = rapid.Bool().Draw(t, name+" pad")
	c.PadByte = rapid.Byte().Draw(t, name+" pad byte")
	c.BlockSize = rapid.SampledFrom([]byte{0, 0, 1, 2, 3, 8, 255}).Draw(t, name+" BS")
	c.STmin = rapid.SampledFrom([]byte{0, 0, 1, 20, 0x7F, 0x80, 0xF1, 0xF9, 0xFF}).Draw(t, name+" STmin")
	c.WaitMax = rapid.IntRange(0, 3).Draw(t, name+" WaitMax")
	c.MaxLen = 8192
	c.Timing = rapid.SampledFrom([]Timing{{}, ISOTiming, {Br: 3 * time.Millisecond, Cs: 700 * time.Microsecond}}).Draw(t, name+" timing")
	return c
}

func drawMessage(t *rapid.T, name string) []byte {
	n := rapid.OneOf(rapid.IntRange(0, 20), rapid.IntRange(0, 200), rapid.SampledFrom([]int{4095, 4096, 5000})).Draw(t, name)
	if n == 0 {
		return nil
	}
	msg := make([]byte, n)
	x := rapid.Uint32().Draw(t, name+" content")
	for i := range msg {
		x = x*1664525 + 1013904223
		msg[i] = byte(x >> 24)
	}
	return msg
}

// Two endpoints over any bus either deliver the exact bytes or say so.
func TestEndpointsOverBadBus(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.SampledFrom(addresses).Draw(t, "address")
		fd := rapid.Bool().Draw(t, "FD")
		ca, cb := drawConfig(t, "a", a, fd), drawConfig(t, "b", a.Reverse(), fd)
		troubles := rapid.SliceOfN(rapid.SampledFrom([]trouble{
			fine, fine, fine, fine, drop, duplicate, delay, echo, noConfirm, neverLeave,
		}), 0, 40).Draw(t, "troubles")
		clean := rapid.IntRange(0, 2).Draw(t, "clean") == 0
		if clean {
			troubles = nil
		}
		s, err := newSim(ca, cb, troubles)
		require.NoError(t, err)
		if rapid.IntRange(0, 3).Draw(t, "busy") == 0 {
			clean = false
			for i := range s.sides {
				s.sides[i].e.SetReady(0, false)
				s.sides[i].ready = time.Duration(rapid.Int64Range(1, 3000).Draw(t, "ready")) * time.Millisecond
			}
		}
		if rapid.IntRange(0, 4).Draw(t, "half duplex") == 0 {
			clean = false
			ca.HalfDuplex, cb.HalfDuplex = true, true
			s, err = newSim(ca, cb, troubles)
			require.NoError(t, err)
		}
		for range rapid.IntRange(1, 3).Draw(t, "rounds") {
			require.NoError(t, s.run([2][]byte{drawMessage(t, "a sends"), drawMessage(t, "b sends")}))
			require.NoError(t, s.judge(0, clean))
			require.NoError(t, s.judge(1, clean))
			s.now += 10 * time.Second
		}
	})
}

// The harness can fail: a corrupted byte and a silent bus must be found out.
func TestHarnessFindsCorruption(t *testing.T) {
	a := Enhanced(Normal(0x7E0, 0x7E8))
	b := Enhanced(Normal(0x7E8, 0x7E0))
	s, err := newSim(a, b, []trouble{fine, fine, corrupt})
	require.NoError(t, err)
	require.NoError(t, s.run([2][]byte{counting(40), nil}))
	require.ErrorContains(t, s.judge(0, true), "received")

	s, err = newSim(a, b, []trouble{drop})
	require.NoError(t, err)
	require.NoError(t, s.run([2][]byte{counting(40), nil}))
	require.NoError(t, s.judge(0, false))
	require.ErrorContains(t, s.judge(0, true), "clean bus: sender N_TIMEOUT_Bs")
	s.sides[0].results[0] = OK
	require.ErrorContains(t, s.judge(0, false), "lost without a word")
}

// What the bus did to it decides how a message of 40 bytes (FF, CF x 5) ends.
func TestResultOfEachTrouble(t *testing.T) {
	for _, c := range []struct {
		name     string
		troubles []trouble // FF, FC, CF 1..5
		sender   Result
		receiver []Result
		received int
	}{
		{"nothing", nil, OK, nil, 1},
		{"no first frame", []trouble{drop}, TimeoutBs, nil, 0},
		{"no flow control", []trouble{fine, drop}, TimeoutBs, []Result{TimeoutCr}, 0},
		{"no CF 2", []trouble{fine, fine, fine, drop}, OK, []Result{WrongSN}, 0},
		{"no last CF", []trouble{fine, fine, fine, fine, fine, fine, drop}, OK, []Result{TimeoutCr}, 0},
		{"CF 2 twice", []trouble{fine, fine, fine, duplicate}, OK, []Result{WrongSN}, 0},
		{"CF 2 after CF 3", []trouble{fine, fine, fine, delay}, OK, []Result{WrongSN}, 0},
		{"first frame twice", []trouble{duplicate}, OK, []Result{UnexpectedPDU}, 1},
		{"CF 1 not confirmed", []trouble{fine, fine, noConfirm}, TimeoutA, []Result{TimeoutCr}, 0},
		{"flow control not confirmed", []trouble{fine, neverLeave}, TimeoutBs, []Result{TimeoutA}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := newSim(Enhanced(Normal(0x7E0, 0x7E8)), Enhanced(Normal(0x7E8, 0x7E0)), c.troubles)
			require.NoError(t, err)
			require.NoError(t, s.run([2][]byte{counting(40), nil}))
			require.NoError(t, s.judge(0, false))
			require.Equal(t, []Result{c.sender}, s.sides[0].results)
			require.Equal(t, c.receiver, s.sides[1].failures)
			require.Len(t, s.sides[1].received, c.received)
		})
	}
}
