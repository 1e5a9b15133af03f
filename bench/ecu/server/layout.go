package server

import (
	"encoding/hex"
	"fmt"
	"math"
	"strings"

	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
)

// layout is the bound form of a list of fields: it appends their bytes.
type layout []piece

type piece struct {
	kind   pieceKind
	ref    signal.Ref
	name   string
	bytes  int
	fixed  []byte
	scale  float64
	offset float64
	signed bool
	state  func(s *Server, b []byte) []byte
}

type pieceKind uint8

const (
	pieceSignal pieceKind = iota
	pieceLearned
	pieceText
	pieceHexText
	pieceConst
	pieceState
)

// state is a value that the server or the code memory keeps itself.
type state struct {
	name  string
	bytes int
	get   func(s *Server, b []byte) []byte
}

// states are all of them.
func states() []state {
	list := []state{{name: "session", bytes: 1, get: func(s *Server, b []byte) []byte { return append(b, s.session.id) }}}
	for _, x := range dtc.States() {
		list = append(list, state{name: x.Name, bytes: x.Bytes, get: func(s *Server, b []byte) []byte { return x.Append(s.mem, b) }})
	}
	return list
}

// lengths are those of the states by their names.
func lengths() map[string]int {
	m := map[string]int{}
	for _, x := range states() {
		m[x.name] = x.bytes
	}
	return m
}

// layouts binds fields of a unit.
type layouts struct {
	*spec.Binder
	lengths map[string]int
	states  map[string]func(s *Server, b []byte) []byte
}

func newLayouts(b *spec.Binder) *layouts {
	l := &layouts{Binder: b, lengths: lengths(), states: map[string]func(s *Server, b []byte) []byte{}}
	for _, x := range states() {
		l.states[x.name] = x.get
	}
	return l
}

func (b *layouts) layout(path string, fs []spec.Field) layout {
	var l layout
	for i := range fs {
		f := &fs[i]
		p := piece{bytes: f.Size(b.lengths), scale: float64(f.PerBit), offset: f.Offset, signed: f.Signed}
		switch {
		case f.Signal != "":
			p.kind, p.ref = pieceSignal, b.Ref(fmt.Sprintf("%s[%d].signal", path, i), f.Signal)
		case f.Learned != "":
			p.kind, p.name = pieceLearned, f.Learned
		case f.Text != "":
			p.kind, p.name = pieceText, f.Text
		case f.HexText != "":
			p.kind, p.name = pieceHexText, f.HexText
		case f.Const != nil:
			p.kind, p.fixed = pieceConst, f.Const
		default:
			p.kind, p.state = pieceState, b.states[f.State]
		}
		l = append(l, p)
	}
	return l
}

// size is the length of its bytes.
func (l layout) size() int {
	n := 0
	for i := range l {
		n += l[i].bytes
	}
	return n
}

// append adds the bytes of the layout as they are now.
func (l layout) append(b []byte, s *Server) []byte {
	for i := range l {
		p := &l[i]
		switch p.kind {
		case pieceSignal:
			b = p.number(b, s.readings.Get(p.ref))
		case pieceLearned:
			if v, ok := s.nv.Get(p.name); ok {
				b = p.number(b, v)
			} else {
				b = fill(b, p.bytes, 0xFF) // not learned: as erased memory reads
			}
		case pieceText:
			v, _ := s.nv.Text(p.name)
			n := min(len(v), p.bytes)
			b = fill(append(b, v[:n]...), p.bytes-n, 0)
		case pieceHexText:
			v, _ := s.nv.Text(p.name)
			raw, err := hex.DecodeString(v)
			if err != nil {
				raw = nil
			}
			n := min(len(raw), p.bytes)
			b = append(fill(b, p.bytes-n, 0), raw[:n]...)
		case pieceConst:
			b = append(b, p.fixed...)
		case pieceState:
			b = p.state(s, b)
		}
	}
	return b
}

// number appends a scaled value, stopped at the ends of its range.
func (p *piece) number(b []byte, v float64) []byte {
	raw := math.Round((v - p.offset) / p.scale)
	low, high := 0.0, math.Ldexp(1, 8*p.bytes)-1
	if p.signed {
		low, high = -math.Ldexp(1, 8*p.bytes-1), math.Ldexp(1, 8*p.bytes-1)-1
	}
	if math.IsNaN(raw) {
		raw = 0
	}
	n := int64(min(max(raw, low), high))
	for i := p.bytes - 1; i >= 0; i-- {
		b = append(b, byte(n>>(8*i)))
	}
	return b
}

// value is the inverse of number.
func (p *piece) value(b []byte) float64 {
	n := int64(0)
	for _, c := range b {
		n = n<<8 | int64(c)
	}
	if limit := int64(1) << (8*len(b) - 1); p.signed && n >= limit {
		n -= 2 * limit
	}
	return math.Round((float64(float64(n)*p.scale)+p.offset)*1e9) / 1e9
}

func fill(b []byte, n int, v byte) []byte {
	for range n {
		b = append(b, v)
	}
	return b
}

// sound reports whether data fits the layout: text is printable ASCII, padded
// with zeros at most.
func (l layout) sound(data []byte) bool {
	for i := range l {
		p := &l[i]
		part := data[:p.bytes]
		data = data[p.bytes:]
		if p.kind != pieceText {
			continue
		}
		for _, c := range strings.TrimRight(string(part), "\x00") {
			if c < 0x20 || c > 0x7E {
				return false
			}
		}
	}
	return true
}

// store writes data of a sound layout to memory.
func (l layout) store(data []byte, m *nv.Memory) {
	for i := range l {
		p := &l[i]
		part := data[:p.bytes]
		data = data[p.bytes:]
		switch p.kind {
		case pieceText:
			m.SetText(p.name, strings.TrimRight(string(part), "\x00"))
		case pieceHexText:
			m.SetText(p.name, strings.ToUpper(hex.EncodeToString(part)))
		case pieceLearned:
			m.Set(p.name, p.value(part))
		}
	}
}
