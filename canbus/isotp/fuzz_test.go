package isotp_test

import (
	"testing"
	"time"

	"sawhorse/canbus"
	. "sawhorse/canbus/isotp"
)

// FuzzEndpoint plays bytes as a bus, a clock and an owner against an endpoint
// and a sniffer. Whatever comes: no panic, no message longer than announced or
// allowed, only frames that a bus can carry, one at a time, and deadlines that
// pass when time does.
func FuzzEndpoint(f *testing.F) {
	f.Add([]byte{0, 0, 0}, []byte{})
	f.Add([]byte{1, 2, 0xF5}, []byte{1, 8, 0x10, 0x14, 0x49, 2, 1, 0x54, 0x45, 0x53, 2, 1, 8, 0x21, 1, 2, 3, 4, 5, 6, 7, 2, 1, 8, 0x22, 1, 2, 3, 4, 5, 6, 7})
	f.Add([]byte{2, 0, 0}, []byte{0, 200, 2, 1, 3, 0x30, 2, 0x14, 2, 3, 200, 2, 1, 3, 0x31, 0, 0, 1, 3, 0x32, 0, 0})
	f.Add([]byte{5, 1, 0}, []byte{1, 15, 0x10, 0x3F, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23, 24, 25, 26, 27, 28, 29, 30, 31, 32, 33, 34, 35, 36, 37, 38, 39, 40, 41, 42, 43, 44, 45, 46, 47, 48, 49, 50, 51, 52, 53, 54, 55, 56, 57, 58, 59, 60, 61, 62, 2, 1, 8, 0x21, 63})
	f.Add([]byte{0x18, 0, 0}, []byte{4, 1, 8, 0x10, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 3, 0xFF, 5, 4, 0, 30, 6, 1, 3, 0x30, 1, 0})
	f.Fuzz(func(t *testing.T, settings, ops []byte) {
		if len(settings) < 3 || len(ops) > 4096 {
			return
		}
		p := &fuzzer{t: t, s: NewSniffer(SnifferConfig{MaxLen: 300})}
		p.start(settings)
		for n := 0; len(ops) > 0; n++ {
			ops = p.play(n, ops[0], ops[1:])
			p.check()
		}
		p.finish()
	})
}

type fuzzer struct {
	t         *testing.T
	e         *Endpoint
	s         *Sniffer
	now       time.Duration
	announced int
	pending   bool
}

const fuzzMax = 300

func (p *fuzzer) start(b []byte) {
	c := Config{
		Address: Normal(0x7E0, 0x7E8), BlockSize: b[1], STmin: b[2], MaxLen: fuzzMax,
		FD: b[0]&1 != 0, Pad: b[0]&2 != 0, HalfDuplex: b[0]&8 != 0, WaitMax: int(b[0] >> 4 & 3),
	}
	if c.FD {
		c.TxDL = canbus.LengthOf(8 + b[0]>>2&7)
	}
	if b[0]&0x40 != 0 {
		c.Address = Extended(0x7E0, 0x7E8, 0x20, 0x10)
	}
	if b[0]&0x80 != 0 {
		c.Timing = Timing{Br: time.Millisecond, Cs: time.Microsecond}
	}
	var err error
	if p.e, err = New(c); err != nil {
		p.t.Fatal(err)
	}
}

// play takes one operation and gives back what is left.
func (p *fuzzer) play(n int, op byte, rest []byte) []byte {
	arg := byte(0)
	if len(rest) > 0 && op%8 != 2 {
		arg, rest = rest[0], rest[1:]
	}
	switch op % 8 {
	case 0:
		_ = p.e.Send(p.now, counting(int(arg)))
	case 1:
		f := canbus.Frame{ID: 0x7E8, Time: p.now}
		f.Len = uint8(canbus.LengthOf(arg))
		if f.Len > 8 {
			f.Flags = canbus.FD
		}
		rest = rest[copy(f.Data[:f.Len], rest):]
		p.see(n, &f)
		if !p.e.Config().HasExt && !p.e.Receive(p.now, &f) {
			p.t.Fatal("frame not taken")
		}
		p.e.Receive(p.now, &f)
	case 2:
		p.e.Sent(p.now)
		p.pending = false
	case 3:
		p.now += time.Duration(arg) * time.Duration(arg) * 50 * time.Microsecond
		p.e.Tick(p.now)
	case 4:
		p.e.SetReady(p.now, arg&1 != 0)
	case 5:
		p.e.Reset(p.now)
		p.pending = false
	case 6:
		p.e.Lost(p.now)
		p.pending = false
	case 7:
		if at, ok := p.e.Deadline(); ok {
			p.now = max(p.now, at)
			p.e.Tick(p.now)
		}
	}
	return rest
}

func (p *fuzzer) see(n int, f *canbus.Frame) {
	for m, ok := p.s.See(n, f); ok; m, ok = p.s.Next() {
		if m.Kind == Whole && len(m.Payload) != m.Length || len(m.Payload) > max(m.Length, 62) {
			p.t.Fatalf("sniffer: %d bytes of %d", len(m.Payload), m.Length)
		}
		if m.Kind == Whole && m.Length > fuzzMax || m.First > m.Last || m.Last > n || m.Start > m.End {
			p.t.Fatalf("sniffer: impossible %+v", m)
		}
	}
}

func (p *fuzzer) check() {
	var ev Event
	for p.e.NextEvent(&ev) {
		switch {
		case ev.Kind == Started:
			p.announced = ev.Length
		case ev.Kind == Received && ev.Segmented && ev.Length != p.announced:
			p.t.Fatalf("received %d bytes, announced were %d", ev.Length, p.announced)
		case ev.Kind == Failed && ev.Result == OK:
			p.t.Fatal("failed with N_OK")
		}
		if ev.Kind == Received && (len(ev.Payload) != ev.Length || ev.Length == 0 || ev.Length > fuzzMax) {
			p.t.Fatalf("received %d bytes, length %d", len(ev.Payload), ev.Length)
		}
		if ev.Done > ev.Length {
			p.t.Fatalf("%d of %d bytes", ev.Done, ev.Length)
		}
	}
	if waiting, _ := p.e.Unconfirmed(); !waiting {
		p.pending = false
	}
	var f canbus.Frame
	if p.e.NextFrame(&f) {
		if p.pending {
			p.t.Fatal("two frames at once")
		}
		p.pending = true
		if err := f.Validate(); err != nil || f.Key() != 0x7E0 {
			p.t.Fatalf("frame %v: %v", &f, err)
		}
		if p.e.NextFrame(&f) {
			p.t.Fatal("two frames at once")
		}
	}
}

// finish lets time pass: everything ends of itself.
func (p *fuzzer) finish() {
	p.e.Tick(p.now)
	p.check()
	for n := 0; ; n++ {
		at, ok := p.e.Deadline()
		if !ok {
			break
		}
		if at < p.now || n > 100 {
			p.t.Fatalf("deadline %v at %v after %d ticks", at, p.now, n)
		}
		p.now = at
		p.e.Tick(at)
		p.check()
	}
	if !p.e.Idle() {
		p.t.Fatal("no deadline but not idle")
	}
	if p.e.LostEvents() > 0 {
		p.t.Fatal("events lost")
	}
}
