// Package workshop makes the background recording that comes with the program: an
// invented car of the training workshop drives off, goes at a town's speed and
// stops. It stands in where no recording of a real drive is at hand; no frame of it
// comes from a car.
//
// Twenty-two identifiers below 0x600 make about 40 % load on 500 kbit/s. Periods
// wander a little, as those of real control units do.
package workshop

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"time"

	"sawhorse/canbus"
)

// Length is how long the recording is.
const Length = 20 * time.Second

// Begin is the time of its first moment, since 1970: an invented morning.
const Begin = 1_700_000_000 * time.Second

// message is one periodic message of the invented network.
type message struct {
	id     canbus.ID
	every  time.Duration
	length int
	fill   func(d []byte, s *state)
	next   time.Duration
	count  byte
}

// state is what the drive is doing at one moment.
type state struct{ t, kmh, rpm, pedal float64 }

// at is a drive as simple as can be: 4 s standing, 6 s pulling away, 6 s steady,
// 4 s braking.
func at(t time.Duration) state {
	s := state{t: t.Seconds(), rpm: 640}
	switch {
	case s.t < 4:
	case s.t < 10:
		s.kmh, s.pedal = 45*(s.t-4)/6, 28
	case s.t < 16:
		s.kmh, s.pedal = 45+1.5*math.Sin(s.t), 11
	default:
		s.kmh = 45 * max(0, 20-s.t) / 4
	}
	if s.kmh > 8 {
		s.rpm = 900 + 32*math.Mod(s.kmh, 22)
	}
	return s
}

func word(d []byte, at int, v float64) { binary.BigEndian.PutUint16(d[at:], uint16(max(0, v))) }

func network() []*message {
	var ms []*message
	add := func(id canbus.ID, ms10 int, length int, fill func(d []byte, s *state)) {
		ms = append(ms, &message{id: id, every: time.Duration(ms10) * time.Millisecond, length: length, fill: fill})
	}
	for i := range canbus.ID(8) { // wheels, torque, steering: fast and full
		add(0x0A0+0x10*i, 10, 8, func(d []byte, s *state) {
			word(d, 0, s.kmh*100+float64(i)*3)
			word(d, 2, s.rpm*4)
			word(d, 4, s.pedal*40+float64(i))
		})
	}
	for i := range canbus.ID(8) {
		add(0x1A0+0x18*i, 10, 6, func(d []byte, s *state) { word(d, 0, s.rpm*4); word(d, 2, s.kmh*64) })
	}
	for i := range canbus.ID(3) {
		add(0x2C0+0x20*i, 20, 8, func(d []byte, s *state) { word(d, 0, s.pedal*100); word(d, 2, 9000+s.t*4) })
	}
	for i := range canbus.ID(2) {
		add(0x3E0+0x11*i, 100, 8, func(d []byte, s *state) { d[0] = byte(80 + s.t/2); word(d, 1, 13900) })
	}
	add(0x52C, 1000, 4, func(d []byte, s *state) { d[0] = byte(s.t) })
	return ms
}

// Frames gives the recording frame by frame, in order of time, equal each time.
func Frames(yield func(*canbus.Frame) bool) {
	chance := rand.New(rand.NewPCG(4800, 48))
	ms := network()
	for i, m := range ms {
		m.next = time.Duration(i) * 400 * time.Microsecond
	}
	wire := time.Duration(0) // when the wire is free again
	for {
		m := ms[0]
		for _, o := range ms {
			if o.next < m.next {
				m = o
			}
		}
		if m.next >= Length {
			return
		}
		begin := max(m.next, wire)
		f := canbus.New(m.id, make([]byte, m.length)...)
		s := at(begin)
		m.fill(f.Data[:m.length], &s)
		f.Data[m.length-1] = m.count
		m.count = (m.count + 1) & 0x0F
		wire = begin + time.Duration(50+9*m.length)*2*time.Microsecond
		f.Time = Begin + wire
		m.next += m.every + time.Duration(chance.IntN(61)-30)*time.Microsecond
		if !yield(&f) {
			return
		}
	}
}
