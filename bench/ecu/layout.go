package ecu

import (
	"encoding/hex"
	"fmt"
	"math"

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

// states are the values that the server and the code memory keep themselves.
var states = map[string]struct {
	bytes int
	get   func(s *Server, b []byte) []byte
}{
	"monitor_status":  {4, func(s *Server, b []byte) []byte { return s.mem.appendStatus(b) }},
	"cycle_status":    {4, func(s *Server, b []byte) []byte { return s.mem.appendCycleStatus(b) }},
	"freeze_code":     {2, func(s *Server, b []byte) []byte { return append16(b, uint16(s.mem.frameCode())) }},
	"warm_ups":        {1, func(s *Server, b []byte) []byte { return append(b, s.mem.life.warmUps) }},
	"clear_km":        {2, func(s *Server, b []byte) []byte { return append16(b, saturate(s.mem.life.clearKm)) }},
	"mil_km":          {2, func(s *Server, b []byte) []byte { return append16(b, saturate(s.mem.life.milKm)) }},
	"clear_minutes":   {2, func(s *Server, b []byte) []byte { return append16(b, saturate(s.mem.life.clearMinutes)) }},
	"mil_minutes":     {2, func(s *Server, b []byte) []byte { return append16(b, saturate(s.mem.life.milMinutes)) }},
	"in_use_counters": {32, func(s *Server, b []byte) []byte { return s.mem.appendInUse(b) }},
	"session":         {1, func(s *Server, b []byte) []byte { return append(b, s.session.id) }},
}

func append16(b []byte, v uint16) []byte { return append(b, byte(v>>8), byte(v)) }

// saturate is a counter that stops at its end (SAE J1979 PIDs 21 31 4D 4E).
func saturate(v float64) uint16 { return uint16(min(v, math.MaxUint16)) }

// bytes is the length of the field's share of the answer.
func (f *field) size() int {
	switch {
	case f.Const != nil:
		return len(f.Const)
	case f.State != "":
		return states[f.State].bytes
	}
	return f.Bytes
}

func size(fs []field) int {
	n := 0
	for i := range fs {
		n += fs[i].size()
	}
	return n
}

func (b *binder) layout(path string, fs []field) layout {
	var l layout
	for i := range fs {
		f := &fs[i]
		p := piece{bytes: f.size(), scale: float64(f.PerBit), offset: f.Offset, signed: f.Signed}
		switch {
		case f.Signal != "":
			p.kind, p.ref = pieceSignal, b.ref(fmt.Sprintf("%s[%d].signal", path, i), f.Signal)
		case f.Learned != "":
			p.kind, p.name = pieceLearned, f.Learned
		case f.Text != "":
			p.kind, p.name = pieceText, f.Text
		case f.HexText != "":
			p.kind, p.name = pieceHexText, f.HexText
		case f.Const != nil:
			p.kind, p.fixed = pieceConst, f.Const
		default:
			p.kind, p.state = pieceState, states[f.State].get
		}
		l = append(l, p)
	}
	return l
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

func fill(b []byte, n int, v byte) []byte {
	for range n {
		b = append(b, v)
	}
	return b
}
