package dbc_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.einride.tech/can"
	"go.einride.tech/can/pkg/descriptor"
	"pgregory.net/rapid"

	"sawhorse/canbus"
	"sawhorse/dbc"
)

// peerOf is the signal as go.einride.tech/can describes it.
func peerOf(s *dbc.Signal) *descriptor.Signal {
	return &descriptor.Signal{
		Name: s.Name, Start: uint8(s.Start), Length: uint8(s.Length), IsBigEndian: s.BigEndian,
		IsSigned: s.Encoding == dbc.Signed, IsFloat: s.Encoding == dbc.Float32,
		Scale: s.Factor, Offset: s.Offset, Min: s.Min, Max: s.Max,
	}
}

// clamp is what the library does to physical values, and we do not.
func clamp(v float64, s *dbc.Signal) float64 {
	if s.Min != 0 || s.Max != 0 {
		return math.Max(math.Min(v, s.Max), s.Min)
	}
	return v
}

// drawClassic draws a message of up to eight bytes of signals that the library knows: it
// has no 64-bit floats.
func drawClassic(t *rapid.T) *dbc.Message {
	m := drawMessage(t, rapid.IntRange(1, 8).Draw(t, "length"))
	for _, s := range m.Signals {
		if s.Encoding == dbc.Float64 {
			s.Encoding = dbc.Signed
		}
		if rapid.Bool().Draw(t, "limited") {
			s.Min = rapid.Float64Range(-1000, 1000).Draw(t, "min")
			s.Max = s.Min + rapid.Float64Range(0.001, 1000).Draw(t, "range")
		}
	}
	return m
}

// Every signal of random messages reads as go.einride.tech/can's descriptor reads it: raw
// by either sign, and physical but for its clamping. The library does not scale single
// bits, and scales no floats; there the raw values are compared.
func TestReadsAsTheLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawClassic(t)
		c, err := dbc.Compile(m)
		require.NoError(t, err)
		f := c.Frame()
		f.Data = drawData(t, m.Length)
		var data can.Data
		copy(data[:], f.Payload())
		values := make([]float64, len(m.Signals))
		c.Decode(&f, values)
		for i, s := range m.Signals {
			peer := peerOf(s)
			require.Equal(t, peer.UnmarshalUnsigned(data), c.Raw(&f, i), "%+v", s)
			switch {
			case s.Encoding == dbc.Float32:
				raw := *s
				raw.Factor, raw.Offset = 1, 0
				require.True(t, same(peer.UnmarshalFloat(data), one2(t, &raw, m.Length).Value(&f, 0)), "%+v", s)
			case s.Encoding == dbc.Signed:
				require.Equal(t, peer.UnmarshalSigned(data), c.Int(&f, i), "%+v", s)
				fallthrough
			default:
				if s.Length > 1 {
					require.Equal(t, peer.UnmarshalPhysical(data), clamp(values[i], s), "%+v", s)
				}
			}
		}
	})
}

// Every signal writes the bits that go.einride.tech/can's descriptor writes. Its physical
// value is not rounded yet.
func TestWritesAsTheLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawClassic(t)
		c, err := dbc.Compile(m)
		require.NoError(t, err)
		f := c.Frame()
		f.Data = drawData(t, m.Length)
		var data can.Data
		copy(data[:], f.Payload())
		for i, s := range m.Signals {
			peer := peerOf(s)
			v := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
			switch s.Encoding {
			case dbc.Float32:
				peer.MarshalFloat(&data, v)
				c.SetRaw(&f, i, uint64(math.Float32bits(float32(v))))
			case dbc.Signed:
				if s.Length < 53 {
					peer.MarshalSigned(&data, int64(math.Round(peer.FromPhysical(v))))
					c.SetValue(&f, i, clamp(v, s))
				}
				n := peer.SaturatedCastSigned(int64(rapid.Uint64().Draw(t, "raw")))
				peer.MarshalSigned(&data, n)
				c.SetRaw(&f, i, uint64(n))
			default:
				if s.Length < 53 {
					peer.MarshalUnsigned(&data, uint64(math.Round(peer.FromPhysical(v))))
					c.SetValue(&f, i, clamp(v, s))
				}
			}
			require.Equal(t, data[:m.Length], f.Payload(), "%+v of %v", s, v)
		}
	})
}

func one2(t require.TestingT, s *dbc.Signal, length int) *dbc.Codec {
	c, err := dbc.Compile(&dbc.Message{Name: "One", Length: length, Signals: []*dbc.Signal{s}})
	require.NoError(t, err)
	return c
}

// eight is a message as a powertrain has them: eight signals in both byte orders.
func eight() *dbc.Message {
	m := &dbc.Message{Name: "Eight", Key: 0x110, Length: 8}
	for i, s := range []dbc.Signal{
		{Start: 0, Length: 16, Factor: 0.25},
		{Start: 16, Length: 12, Encoding: dbc.Signed, Factor: 0.5, Offset: -100},
		{Start: 28, Length: 4},
		{Start: 39, Length: 10, BigEndian: true, Factor: 0.1},
		{Start: 45, Length: 6, BigEndian: true, Encoding: dbc.Signed},
		{Start: 48, Length: 2},
		{Start: 50, Length: 6, Factor: 2},
		{Start: 56, Length: 8, Offset: -40},
	} {
		s.Name = fmt.Sprintf("S%d", i)
		if s.Factor == 0 {
			s.Factor = 1
		}
		m.Signals = append(m.Signals, &s)
	}
	return m
}

// BenchmarkDecodeEight reads the physical values of eight signals: the library's
// descriptors and the plans in turn, over the same payloads with the same values.
func BenchmarkDecodeEight(b *testing.B) {
	m := eight()
	c, err := dbc.Compile(m)
	require.NoError(b, err)
	f := c.Frame()
	peers := make([]*descriptor.Signal, len(m.Signals))
	for i, s := range m.Signals {
		peers[i] = peerOf(s)
	}
	values, want := make([]float64, len(peers)), make([]float64, len(peers))
	byLibrary := func(data can.Data) {
		for i, p := range peers {
			want[i] = p.UnmarshalPhysical(data)
		}
	}
	var frames [256]canbus.Frame
	var datas [len(frames)]can.Data
	for n := range frames {
		datas[n].UnpackLittleEndian(uint64(n+1) * 0x9E3779B97F4A7C15)
		f.Data = [canbus.MaxData]byte{}
		copy(f.Data[:], datas[n][:])
		frames[n] = f
		c.Decode(&f, values)
		byLibrary(datas[n])
		require.Equal(b, want, values)
	}
	inTurn(b, func(n int) { byLibrary(datas[n%len(datas)]) }, func(n int) { c.Decode(&frames[n%len(frames)], values) })
}

// inTurn measures the library and this package in short turns, so that what else the
// machine does meets both: the figures are medians of the turns.
func inTurn(b *testing.B, library, ours func(n int)) {
	const turn = 2000
	var took [2][]float64
	b.ReportAllocs()
	for b.Loop() {
		for k, do := range []func(int){library, ours} {
			begin := time.Now()
			for n := range turn {
				do(n)
			}
			took[k] = append(took[k], float64(time.Since(begin))/turn)
		}
	}
	middle := func(v []float64) float64 { slices.Sort(v); return v[len(v)/2] }
	theirs, own := middle(took[0]), middle(took[1])
	b.ReportMetric(own, "ns")
	b.ReportMetric(theirs, "library-ns")
	b.ReportMetric(theirs/own, "times-library")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkEncodeEight writes the same eight signals, each by its physical value.
func BenchmarkEncodeEight(b *testing.B) {
	m := eight()
	c, err := dbc.Compile(m)
	require.NoError(b, err)
	f := c.Frame()
	values := []float64{2500, -20, 3, 60, -7, 1, 90, 85}
	peers := make([]*descriptor.Signal, len(m.Signals))
	for i, s := range m.Signals {
		peers[i] = peerOf(s)
	}
	var data can.Data
	byLibrary := func(int) {
		for i, p := range peers {
			if raw := math.Round(p.FromPhysical(values[i])); p.IsSigned {
				p.MarshalSigned(&data, int64(raw))
			} else {
				p.MarshalUnsigned(&data, uint64(raw))
			}
		}
	}
	byLibrary(0)
	require.Equal(b, len(values), c.Encode(&f, values))
	require.Equal(b, data[:], f.Payload())
	b.Run("all", func(b *testing.B) { inTurn(b, byLibrary, func(int) { c.Encode(&f, values) }) })
	b.Run("seal", func(b *testing.B) {
		b.ReportAllocs()
		guard := guarded(b, 3, 56, false, dbc.Checksum{ID: true})
		for b.Loop() {
			guard.Advance(&f, 1)
			guard.Seal(&f)
		}
	})
}

// BenchmarkDecodeByName finds the messages of a car's network by their identifiers and
// their signals by name, one message after the other, and reads the values: the library's
// and ours in turn. The figures are of a message.
func BenchmarkDecodeByName(b *testing.B) {
	net, err := dbc.Load("../bench/car/petrel48/petrel-48.dbc")
	require.NoError(b, err)
	db := &descriptor.Database{}
	var frames []canbus.Frame
	var names [][]string
	most := 0
	for i, m := range net.Messages {
		peer := &descriptor.Message{ID: uint32(m.Key.ID()), Name: m.Name}
		f := m.Codec().Frame()
		binary.LittleEndian.PutUint64(f.Data[:], uint64(i+1)*0x9E3779B97F4A7C15)
		clear(f.Data[f.Len:])
		var own []string
		for _, s := range m.Signals {
			peer.Signals = append(peer.Signals, peerOf(s))
			own = append(own, strings.Clone(s.Name)) // as read from elsewhere
		}
		db.Messages, frames, names = append(db.Messages, peer), append(frames, f), append(names, own)
		most = max(most, len(own))
	}
	ours, theirs := make([]float64, most), make([]float64, most)
	byLibrary := func(n int) {
		n %= len(frames)
		id, data := uint32(frames[n].ID), can.Data(frames[n].Data[:8])
		for i, name := range names[n] {
			s, _ := db.Signal(id, name)
			theirs[i] = s.UnmarshalPhysical(data)
		}
	}
	byPlan := func(n int) {
		n %= len(frames)
		f := &frames[n]
		m, _ := net.Message(f.Key())
		c := m.Codec()
		for i, name := range names[n] {
			ours[i] = c.Value(f, m.Index(name))
		}
	}
	for n, m := range net.Messages {
		byLibrary(n)
		byPlan(n)
		for i, s := range m.Signals {
			if s.Length > 1 && s.Under == nil { // the library scales no single bits
				require.Equal(b, theirs[i], clamp(ours[i], s), s.Name)
			}
		}
	}
	inTurn(b, byLibrary, byPlan)
}

func BenchmarkDecodeMultiplexed(b *testing.B) {
	c, err := dbc.Compile(nested())
	require.NoError(b, err)
	f := c.Frame()
	f.Data[0], f.Data[1] = 1, 2
	values := make([]float64, 6)
	b.ReportAllocs()
	for b.Loop() {
		c.Decode(&f, values)
	}
}
