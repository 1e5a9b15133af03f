package socketcan

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
	"sawhorse/canbus/bustest"
	"sawhorse/canbus/clock"
)

// fakeLink stands for a kernel: what is sent comes back as an echo, unless the
// test says otherwise. The real one is tested in the kernel lane.
type fakeLink struct {
	mu      sync.Mutex
	waiting []arrival
	more    chan struct{} // has room for one wake-up
	closed  chan struct{}
	down    bool
	// take says how many frames go and why not all; nil takes all.
	take func(out []flight) (int, error)
	// echo changes what comes back; nil gives one echo each, in order.
	echo func(out []flight) []arrival
	errs []error // for receive, before any frame
}

func newFakeLink() *fakeLink {
	return &fakeLink{more: make(chan struct{}, 1), closed: make(chan struct{})}
}

func (l *fakeLink) receive(in []arrival) (int, error) {
	for {
		l.mu.Lock()
		if len(l.errs) > 0 {
			err := l.errs[0]
			l.errs = l.errs[1:]
			l.mu.Unlock()
			return 0, err
		}
		n := copy(in, l.waiting)
		l.waiting = slices.Delete(l.waiting, 0, n)
		l.mu.Unlock()
		if n > 0 {
			return n, nil
		}
		select {
		case <-l.more:
		case <-l.closed:
			return 0, canbus.ErrClosed
		}
	}
}

func (l *fakeLink) wake() {
	select {
	case l.more <- struct{}{}:
	default:
	}
}

func (l *fakeLink) come(in ...arrival) {
	l.mu.Lock()
	l.waiting = append(l.waiting, in...)
	l.mu.Unlock()
	l.wake()
}

func (l *fakeLink) fail(err error) {
	l.mu.Lock()
	l.errs = append(l.errs, err)
	l.mu.Unlock()
	l.wake()
}

func (l *fakeLink) send(out []flight) (int, error) {
	n, err := len(out), error(nil)
	if l.take != nil {
		n, err = l.take(out)
	}
	back := l.echo
	if back == nil {
		back = echoes
	}
	l.come(back(out[:n])...)
	return n, err
}

func echoes(out []flight) []arrival {
	in := make([]arrival, len(out))
	for i := range out {
		in[i] = arrival{frame: out[i].frame, own: true}
		in[i].frame.Time = time.Duration(time.Now().UnixNano())
	}
	return in
}

func (l *fakeLink) up() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return !l.down
}

func (l *fakeLink) setDown(down bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.down = down
}

func (l *fakeLink) close() error { close(l.closed); return nil }

// rig is a bus on a fake link, and what it said.
type rig struct {
	t    *testing.T
	loop *clock.Loop
	link *fakeLink
	bus  *Bus
	said []string
	tap  []canbus.Sighting
	seen []canbus.Frame // frames of tap, copied
}

func newRig(t *testing.T, opt Options, may error) *rig {
	t.Helper()
	loop, err := clock.NewWall()
	require.NoError(t, err)
	r := &rig{t: t, loop: loop, link: newFakeLink()}
	opt.OnState = func(m string) { r.said = append(r.said, m) }
	r.bus = newBus("fake0", loop, r.link, opt, may, opt.FD)
	t.Cleanup(func() { require.NoError(t, r.bus.Close()) })
	r.bus.Tap(func(s canbus.Sighting) {
		r.seen = append(r.seen, *s.Frame)
		s.Frame = nil
		r.tap = append(r.tap, s)
	})
	return r
}

func (r *rig) run() {
	r.t.Helper()
	require.NoError(r.t, r.loop.Run(context.Background(), 10*time.Second))
	require.Less(r.t, r.loop.Now(), 10*time.Second, "what was waited for never came; said %q", r.said)
}

func (r *rig) soon(fn func()) { r.loop.At(0, clock.PriorityTool, fn) }

// until asks every millisecond and then stops the run.
func (r *rig) until(done func() bool) {
	var tm *clock.Timer
	tm = r.loop.NewTimer(clock.PriorityJudge, func() {
		if done() {
			r.loop.Stop()
			return
		}
		tm.Set(r.loop.Now() + time.Millisecond)
	})
	tm.Set(0)
}

type recorder struct {
	got, sent []canbus.Frame
	onSent    func()
}

func (n *recorder) Receive(f *canbus.Frame) { n.got = append(n.got, *f) }
func (n *recorder) Sent(f *canbus.Frame) {
	n.sent = append(n.sent, *f)
	if n.onSent != nil {
		n.onSent()
	}
}

func (r *rig) attach(name string) (*recorder, canbus.Port) {
	r.t.Helper()
	n := &recorder{}
	p, err := r.bus.Attach(name, n)
	require.NoError(r.t, err)
	return n, p
}

func send(t *testing.T, p canbus.Port, f canbus.Frame) {
	t.Helper()
	require.NoError(t, p.Send(&f))
}

func ids(fs []canbus.Frame) []canbus.Key {
	var out []canbus.Key
	for i := range fs {
		out = append(out, fs[i].Key())
	}
	return out
}

func TestABusOnALinkKeepsTheContract(t *testing.T) {
	bustest.Run(t, func(t *testing.T) bustest.Rig {
		loop, err := clock.NewWall()
		require.NoError(t, err)
		bus := newBus("fake0", loop, newFakeLink(), Options{FD: true}, nil, true)
		t.Cleanup(func() { require.NoError(t, bus.Close()) })
		return bustest.Rig{Loop: loop, Bus: bus, FD: true, Ordered: true, Limit: 10 * time.Second}
	})
}

func TestTheTapNamesSendersOfTheBenchOnly(t *testing.T) {
	r := newRig(t, Options{}, nil)
	_, p := r.attach("engine")
	other, _ := r.attach("brake")
	r.soon(func() {
		send(t, p, canbus.New(0x7E8, 1))
		r.link.come(arrival{frame: canbus.New(0x7E0, 2)})
	})
	r.until(func() bool { return len(other.got) == 2 })
	r.run()
	names := map[canbus.ID]string{}
	for i, s := range r.tap {
		names[r.seen[i].ID] = s.Sender
	}
	assert.Equal(t, map[canbus.ID]string{0x7E8: "engine", 0x7E0: ""}, names)
	assert.Equal(t, Stats{In: 1, Out: 1}, r.bus.Stats())
}

func TestMomentsNeverGoBackNorAhead(t *testing.T) {
	r := newRig(t, Options{}, nil)
	n, _ := r.attach("node")
	r.soon(func() {
		now := time.Duration(time.Now().UnixNano())
		in := []arrival{
			{frame: canbus.New(1)}, {frame: canbus.New(2)}, {frame: canbus.New(3)}, {frame: canbus.New(4)},
		}
		in[0].frame.Time = now - 100*time.Hour // before the run began
		in[1].frame.Time = now
		in[2].frame.Time = now - 50*time.Microsecond
		in[3].frame.Time = now + 100*time.Hour
		r.link.come(in...)
	})
	r.until(func() bool { return len(n.got) == 4 })
	r.run()
	assert.Equal(t, time.Duration(0), n.got[0].Time)
	for i := 1; i < 4; i++ {
		assert.GreaterOrEqual(t, n.got[i].Time, n.got[i-1].Time)
		assert.LessOrEqual(t, n.got[i].Time, r.loop.Now())
	}
}

func TestAFullInterfaceIsTriedAgainAndCounted(t *testing.T) {
	r := newRig(t, Options{}, nil)
	n, p := r.attach("node")
	calls := 0
	r.link.take = func(out []flight) (int, error) { // two of every call
		calls++
		if len(out) > 2 {
			return 2, canbus.ErrQueueFull
		}
		return len(out), nil
	}
	const count = 20
	r.soon(func() {
		for i := range count {
			send(t, p, canbus.New(0x100, byte(i)))
		}
	})
	r.until(func() bool { return len(n.sent) == count })
	r.run()
	for i, f := range n.sent {
		assert.Equal(t, byte(i), f.Data[0])
	}
	assert.EqualValues(t, calls-1, r.bus.Stats().Full)
	assert.Empty(t, r.said)
}

func TestAControllerMayOvertake(t *testing.T) {
	r := newRig(t, Options{}, nil)
	n, p := r.attach("node")
	r.link.echo = func(out []flight) []arrival {
		in := echoes(out)
		slices.Reverse(in)
		return in
	}
	r.soon(func() {
		for i := range 5 {
			send(t, p, canbus.New(canbus.ID(0x100+i)))
		}
	})
	r.until(func() bool { return len(n.sent) == 5 })
	r.run()
	assert.Equal(t, []canbus.Key{0x104, 0x103, 0x102, 0x101, 0x100}, ids(n.sent))
	assert.Zero(t, r.bus.Stats().Unconfirmed)
}

func TestAMissingEchoIsGivenUpWhenALaterOneHasCome(t *testing.T) {
	r := newRig(t, Options{Queue: 2}, nil)
	n, p := r.attach("node")
	r.link.echo = func(out []flight) []arrival {
		return slices.DeleteFunc(echoes(out), func(a arrival) bool { return a.frame.ID == 0x666 })
	}
	r.soon(func() { send(t, p, canbus.New(0x666)) })
	again := func() { send(t, p, canbus.New(0x100)) }
	r.loop.At(echoWithin/2, clock.PriorityTool, again)
	r.loop.At(echoWithin+10*time.Millisecond, clock.PriorityTool, again)
	r.until(func() bool { return len(n.sent) == 2 })
	r.run()
	assert.EqualValues(t, 1, r.bus.Stats().Unconfirmed, "it does not hold its place in the queue for ever")
}

func TestWhatWasDroppedIsCountedAndSaid(t *testing.T) {
	r := newRig(t, Options{}, nil)
	n, _ := r.attach("node")
	r.soon(func() {
		r.link.come(arrival{frame: canbus.New(1)}, arrival{frame: canbus.New(2), lost: 7}, arrival{frame: canbus.New(3), lost: 7})
	})
	r.until(func() bool { return len(n.got) == 3 })
	r.run()
	assert.EqualValues(t, 7, r.bus.Stats().Lost)
	assert.Equal(t, []string{"can:fake0: frames lost: the bench did not read them in time"}, r.said)
}

func TestDownIsSaidOnceAndUpAgain(t *testing.T) {
	r := newRig(t, Options{}, nil)
	n, p := r.attach("node")
	r.link.take = func(out []flight) (int, error) {
		if !r.link.up() {
			return 0, ErrDown
		}
		return len(out), nil
	}
	r.soon(func() {
		r.link.setDown(true)
		send(t, p, canbus.New(1)) // found out by this one
	})
	r.loop.At(20*time.Millisecond, clock.PriorityTool, func() {
		r.link.fail(ErrDown)                          // and by the reader
		r.link.come(arrival{frame: canbus.New(0x77)}) // which had one from before
		f := canbus.New(2)
		err := p.Send(&f)
		assert.ErrorIs(t, err, canbus.ErrBusOff)
		assert.ErrorIs(t, err, ErrDown)
		assert.EqualError(t, err, "can:fake0: write: node is bus-off: the interface is down")
	})
	r.loop.At(50*time.Millisecond, clock.PriorityTool, func() { r.link.setDown(false) })
	r.loop.At(50*time.Millisecond+2*lookAfter, clock.PriorityTool, func() { send(t, p, canbus.New(3)) })
	r.until(func() bool { return len(n.sent) > 0 })
	r.run()
	assert.Equal(t, []canbus.Key{3}, ids(n.sent))
	assert.Equal(t, []canbus.Key{0x77}, ids(n.got))
	assert.Equal(t, []string{"can:fake0: the interface is down", "can:fake0: the interface is up again"}, r.said)
	assert.EqualValues(t, 1, r.bus.Stats().Refused)
}

func TestAnInterfaceThatVanishes(t *testing.T) {
	r := newRig(t, Options{}, nil)
	_, p := r.attach("node")
	r.soon(func() { r.link.fail(ErrDown); r.link.fail(ErrGone) })
	r.until(func() bool { return len(r.said) > 1 })
	r.run()
	assert.Equal(t, []string{"can:fake0: the interface is down", "can:fake0: the interface has gone"}, r.said)
	f := canbus.New(1)
	err := p.Send(&f)
	require.ErrorIs(t, err, canbus.ErrBusOff)
	require.ErrorIs(t, err, ErrGone)
	assert.False(t, r.bus.look.Active(), "it is not waited for")
}

func report(class canbus.ID, data ...byte) canbus.Frame {
	f := canbus.Frame{ID: class, Flags: canbus.Error, Len: 8}
	copy(f.Data[:], data)
	return f
}

// The classes are those of Linux UAPI can/error.h.
func TestReportsOfTheControllerGoToTheTapAndAreHeeded(t *testing.T) {
	r := newRig(t, Options{}, nil)
	n, p := r.attach("node")
	r.soon(func() {
		r.link.take = func([]flight) (int, error) { return 0, canbus.ErrQueueFull }
		send(t, p, canbus.New(1))
		r.link.come(arrival{frame: report(0x04, 0, 0x30)}, arrival{frame: report(0x40)})
	})
	r.loop.At(50*time.Millisecond, clock.PriorityTool, func() {
		f := canbus.New(2)
		assert.ErrorIs(t, p.Send(&f), canbus.ErrBusOff)
		r.link.take = nil
		r.link.come(arrival{frame: report(0x100)})
	})
	r.loop.At(100*time.Millisecond, clock.PriorityTool, func() { send(t, p, canbus.New(3)) })
	r.until(func() bool { return len(n.sent) > 0 })
	r.run()
	assert.Equal(t, []canbus.Key{3}, ids(n.sent), "what waited at bus-off is dropped")
	assert.Empty(t, n.got, "nodes see no reports")
	assert.Equal(t, []string{
		"can:fake0: the controller is bus-off; it takes part again when restarted",
		"can:fake0: the controller is back on the bus",
	}, r.said)
	assert.EqualValues(t, 3, r.bus.Stats().Errors)
	assert.True(t, r.seen[1].Has(canbus.Error))
}

func TestFiltersHoldBackOthersOnly(t *testing.T) {
	r := newRig(t, Options{Filters: []Filter{{Key: 0x7E0, Mask: 0x7F8}}}, nil)
	n, p := r.attach("node")
	other, _ := r.attach("other")
	r.soon(func() {
		send(t, p, canbus.New(0x100)) // does not match, but is our own
		r.link.come(arrival{frame: canbus.New(0x101)}, arrival{frame: canbus.New(0x7E5)}, arrival{frame: canbus.NewExtended(0x7E5)})
	})
	r.until(func() bool { return len(other.got) == 2 })
	r.run()
	assert.Equal(t, []canbus.Key{0x7E5}, ids(n.got))
	assert.Equal(t, []canbus.Key{0x100}, ids(n.sent))
}

func TestNothingIsSentUnarmed(t *testing.T) {
	r := newRig(t, Options{}, ErrNotArmed)
	n, p := r.attach("node")
	r.link.take = func(out []flight) (int, error) { t.Error("something was sent"); return len(out), nil }
	r.soon(func() {
		f := canbus.New(1)
		assert.ErrorIs(t, p.Send(&f), ErrNotArmed)
		r.link.come(arrival{frame: canbus.New(2)})
	})
	r.until(func() bool { return len(n.got) == 1 })
	r.run()
}

func TestAFrameTheSystemRefusesDoesNotHoldUpTheOthers(t *testing.T) {
	r := newRig(t, Options{}, nil)
	n, p := r.attach("node")
	r.link.take = func(out []flight) (int, error) {
		if i := slices.IndexFunc(out, func(o flight) bool { return o.frame.ID == 2 }); i >= 0 {
			return i, errors.New("invalid argument")
		}
		return len(out), nil
	}
	r.soon(func() {
		for id := range canbus.ID(4) {
			send(t, p, canbus.New(id))
		}
	})
	r.until(func() bool { return len(n.sent) == 3 })
	r.run()
	assert.Equal(t, []canbus.Key{0, 1, 3}, ids(n.sent))
	assert.Equal(t, []string{"can:fake0: frame 002 [0]  not sent: invalid argument"}, r.said)
	assert.EqualValues(t, 1, r.bus.Stats().Refused)
}

func TestAClosedBusIsQuiet(t *testing.T) {
	r := newRig(t, Options{}, nil)
	n, p := r.attach("node")
	r.soon(func() {
		send(t, p, canbus.New(1))
		r.link.come(arrival{frame: canbus.New(2)})
		r.loop.Stop()
	})
	require.NoError(t, r.loop.Run(context.Background(), time.Second))
	require.NoError(t, p.Close())
	f := canbus.New(1)
	require.ErrorIs(t, p.Send(&f), canbus.ErrClosed)
	assert.Empty(t, n.sent)
}

// wireBits writes the arbitration field bit by bit (ISO 11898-1:2015 clause
// 10.4.2: identifier, RTR or SRR, IDE, identifier extension, RTR).
func wireBits(f *canbus.Frame) string {
	bits := ""
	put := func(v uint32, n int) {
		for i := n - 1; i >= 0; i-- {
			bits += string('0' + rune(v>>i&1))
		}
	}
	rtr := uint32(0)
	if f.Has(canbus.Remote) {
		rtr = 1
	}
	if f.Has(canbus.Extended) {
		put(uint32(f.ID)>>18, 11)
		bits += "11"
		put(uint32(f.ID)&0x3FFFF, 18)
		put(rtr, 1)
		return bits
	}
	put(uint32(f.ID), 11)
	put(rtr, 1)
	return bits + "0"
}

func TestArbitrationIsTheOrderOfTheBitsOnTheWire(t *testing.T) {
	frame := rapid.Custom(func(t *rapid.T) canbus.Frame {
		f := canbus.Frame{ID: canbus.ID(rapid.Uint32Range(0, 3).Draw(t, "base"))}
		if rapid.Bool().Draw(t, "extended") {
			f.Flags |= canbus.Extended
			f.ID = f.ID<<18 | canbus.ID(rapid.Uint32Range(0, 3).Draw(t, "rest"))
		}
		if rapid.Bool().Draw(t, "remote") {
			f.Flags |= canbus.Remote
		}
		return f
	})
	rapid.Check(t, func(t *rapid.T) {
		a, b := frame.Draw(t, "a"), frame.Draw(t, "b")
		require.Equal(t, wireBits(&a) < wireBits(&b), arbitration(&a) < arbitration(&b), "%v and %v", &a, &b)
	})
}

func BenchmarkBusSendAndConfirm(b *testing.B) {
	loop := clock.NewVirtual()
	bus := &Bus{loop: loop, link: discard{}, opt: Options{Queue: 64}}
	bus.flush = loop.NewTimer(clock.PriorityJudge, bus.send)
	p, _ := bus.Attach("node", &quiet{})
	a := arrival{frame: canbus.New(0x123, 1, 2, 3, 4, 5, 6, 7, 8), own: true}
	f := a.frame
	b.ReportAllocs()
	for b.Loop() {
		_ = p.Send(&f)
		bus.send()
		bus.arrive(&a)
	}
}

type quiet struct{}

func (quiet) Receive(*canbus.Frame) {}
func (quiet) Sent(*canbus.Frame)    {}

type discard struct{ link }

func (discard) send(out []flight) (int, error) { return len(out), nil }
