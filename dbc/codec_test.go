package dbc_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
	"sawhorse/dbc"
)

func same(a, b float64) bool {
	return a == b || math.IsNaN(a) && math.IsNaN(b)
}

// Every signal of random messages of 1 to 64 bytes reads as the bit-by-bit oracle reads
// it, and writing it changes its own bits alone.
func TestCodecsAgreeWithTheOracle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawMessage(t, lengths.Draw(t, "length"))
		c, err := dbc.Compile(m)
		require.NoError(t, err)
		f := c.Frame()
		require.NoError(t, f.Validate())
		require.Equal(t, m.Length, int(f.Len))
		f.Data = drawData(t, m.Length)
		values := make([]float64, len(m.Signals))
		require.Equal(t, len(m.Signals), c.Decode(&f, values))
		for i, s := range m.Signals {
			raw := oracleRaw(f.Data[:], s)
			require.Equal(t, raw, c.Raw(&f, i), "%+v", s)
			require.True(t, same(oracleValue(raw, s), values[i]), "%+v: %v", s, values[i])
			require.True(t, same(values[i], c.Value(&f, i)))

			g, want := f, f
			put := rapid.Uint64().Draw(t, "raw")
			c.SetRaw(&g, i, put)
			oracleSet(want.Data[:], s, put)
			require.Equal(t, want.Data, g.Data, "%+v", s)
		}
	})
}

// A value that was read is written back as the same bits, as long as a 64-bit float can
// tell the raw values apart.
func TestValuesGoBackToTheirBits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSignal(t, "S", 64)
		if s.Length > 40 {
			s.Length = 40
		}
		if s.Encoding >= dbc.Float32 {
			s.Length, s.Factor, s.Offset = 32, 1, 0
			s.Encoding = dbc.Float32
		}
		if !fits(s, 64) {
			s.Start = 7
		}
		c, err := dbc.Compile(&dbc.Message{Length: 64, FD: true, Signals: []*dbc.Signal{s}})
		require.NoError(t, err)
		f := c.Frame()
		f.Data = drawData(t, 64)
		v := c.Value(&f, 0)
		if math.IsNaN(v) || v == 0 { // one of many NaNs, or minus nothing
			return
		}
		g := f
		c.SetValue(&g, 0, v)
		require.Equal(t, f, g, "%+v %v", s, v)
	})
}

func one(t *testing.T, s *dbc.Signal) *dbc.Codec {
	t.Helper()
	if s.Factor == 0 {
		s.Factor = 1
	}
	c, err := dbc.Compile(&dbc.Message{Name: "One", Length: 8, Signals: []*dbc.Signal{s}})
	require.NoError(t, err)
	return c
}

// Rounding to the nearest, halves away from zero; saturation at what the bits hold.
func TestRoundingAndSaturation(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for _, c := range []struct {
		s    dbc.Signal
		v    float64
		want uint64
	}{
		{dbc.Signal{Length: 8}, 1.49, 1},
		{dbc.Signal{Length: 8}, 1.5, 2},
		{dbc.Signal{Length: 8}, 2.5, 3},
		{dbc.Signal{Length: 8}, -0.4, 0},
		{dbc.Signal{Length: 8}, -3, 0},
		{dbc.Signal{Length: 8}, 255.4, 255},
		{dbc.Signal{Length: 8}, 256, 255},
		{dbc.Signal{Length: 8}, inf, 255},
		{dbc.Signal{Length: 8}, -inf, 0},
		{dbc.Signal{Length: 8}, nan, 0},
		{dbc.Signal{Length: 8, Encoding: dbc.Signed}, -2.5, 0xFD},
		{dbc.Signal{Length: 8, Encoding: dbc.Signed}, 127.4, 0x7F},
		{dbc.Signal{Length: 8, Encoding: dbc.Signed}, 200, 0x7F},
		{dbc.Signal{Length: 8, Encoding: dbc.Signed}, -128, 0x80},
		{dbc.Signal{Length: 8, Encoding: dbc.Signed}, -1e9, 0x80},
		{dbc.Signal{Length: 8, Encoding: dbc.Signed}, nan, 0},
		{dbc.Signal{Length: 1, Encoding: dbc.Signed}, -1, 1},
		{dbc.Signal{Length: 1, Encoding: dbc.Signed}, 5, 0},
		{dbc.Signal{Length: 64}, 1 << 63, 1 << 63},
		{dbc.Signal{Length: 64}, 1e30, math.MaxUint64},
		{dbc.Signal{Length: 64, Encoding: dbc.Signed}, -1, math.MaxUint64},
		{dbc.Signal{Length: 64, Encoding: dbc.Signed}, 1e30, math.MaxInt64},
		{dbc.Signal{Length: 64, Encoding: dbc.Signed}, -1e30, 1 << 63},
		// The minimum and maximum of the file do not bind.
		{dbc.Signal{Length: 8, Min: 0, Max: 100}, 200, 200},
		{dbc.Signal{Length: 8, Factor: 0.5, Offset: -40}, 20.2, 120},
		{dbc.Signal{Length: 8, Factor: -1, Offset: 10}, 0, 10},
		{dbc.Signal{Length: 32, Encoding: dbc.Float32}, 1.5, 0x3FC00000},
		{dbc.Signal{Length: 32, Encoding: dbc.Float32}, 1e300, 0x7F7FFFFF},
		{dbc.Signal{Length: 32, Encoding: dbc.Float32}, -1e300, 0xFF7FFFFF},
		{dbc.Signal{Length: 32, Encoding: dbc.Float32}, inf, 0x7F800000},
		{dbc.Signal{Length: 64, Encoding: dbc.Float64}, -2, 0xC000000000000000},
	} {
		require.Equal(t, c.want, one(t, &c.s).RawOf(0, c.v), "%g into %+v", c.v, c.s)
	}
}

func TestSignedNumbersAndNames(t *testing.T) {
	s := &dbc.Signal{Name: "Gear", Length: 4, Encoding: dbc.Signed, Values: []dbc.Value{{Raw: -1, Text: "reverse"}, {Raw: 0, Text: "neutral"}, {Raw: 3, Text: "third"}}}
	c := one(t, s)
	f := c.Frame()
	c.SetValue(&f, 0, -1)
	require.EqualValues(t, 0x0F, f.Data[0])
	require.EqualValues(t, -1, c.Int(&f, 0))
	text, ok := s.Text(c.Int(&f, 0))
	require.True(t, ok)
	require.Equal(t, "reverse", text)
	_, ok = s.Text(2)
	require.False(t, ok)
	raw, ok := s.RawOf("third")
	require.True(t, ok)
	require.EqualValues(t, 3, raw)
	_, ok = s.RawOf("fourth")
	require.False(t, ok)
	require.Equal(t, "signed", s.Encoding.String())
}

// nested is a message with a switch under a switch, as SG_MUL_VAL_ describes it.
func nested() *dbc.Message {
	page := &dbc.Signal{Name: "Page", Length: 4, Factor: 1, Switch: true}
	sub := &dbc.Signal{Name: "Sub", Start: 8, Length: 8, Factor: 1, Switch: true, Under: page, Selectors: []dbc.Range{{Low: 1, High: 1}}}
	left := &dbc.Signal{Name: "Left", Start: 16, Length: 8, Factor: 1, Under: sub, Selectors: []dbc.Range{{Low: 2, High: 4}, {Low: 8, High: 8}}}
	right := &dbc.Signal{Name: "Right", Start: 16, Length: 16, Factor: 1, Under: sub, Selectors: []dbc.Range{{Low: 5, High: 5}}}
	other := &dbc.Signal{Name: "Other", Start: 8, Length: 16, Factor: 1, Under: page, Selectors: []dbc.Range{{Low: 2, High: 2}}}
	always := &dbc.Signal{Name: "Always", Start: 56, Length: 8, Factor: 1}
	// The file's order need not have a switch before what it selects.
	return &dbc.Message{Name: "Nested", Length: 8, Signals: []*dbc.Signal{left, right, other, sub, page, always}}
}

func TestMultiplexedSignals(t *testing.T) {
	m := nested()
	c, err := dbc.Compile(m)
	require.NoError(t, err)
	nan := math.NaN()
	for _, row := range []struct {
		page, sub byte
		want      []float64
	}{
		{0, 2, []float64{nan, nan, nan, nan, 0, 7}},
		{1, 2, []float64{9, nan, nan, 2, 1, 7}},
		{1, 4, []float64{9, nan, nan, 4, 1, 7}},
		{1, 8, []float64{9, nan, nan, 8, 1, 7}},
		{1, 5, []float64{nan, 0x0109, nan, 5, 1, 7}},
		{1, 7, []float64{nan, nan, nan, 7, 1, 7}},
		{2, 5, []float64{nan, nan, 0x0905, nan, 2, 7}},
	} {
		f := canbus.New(0x123, row.page, row.sub, 9, 1, 0, 0, 0, 7)
		got := make([]float64, 6)
		n := c.Decode(&f, got)
		for i, want := range row.want {
			require.True(t, same(want, got[i]), "%v: %s is %v", row, m.Signals[i].Name, got[i])
			require.Equal(t, !math.IsNaN(want), c.Present(&f, i))
			if !math.IsNaN(want) {
				n--
			}
		}
		require.Zero(t, n)
		// What was read makes the same frame, whatever absent signals ask for.
		for i := range got {
			if math.IsNaN(got[i]) {
				got[i] = 99
			}
		}
		back := c.Frame()
		written := c.Encode(&back, got)
		again := make([]float64, 6)
		require.Equal(t, written, c.Decode(&back, again))
		for i, want := range row.want {
			require.True(t, same(want, again[i]), "%v: %s went back as %v", row, m.Signals[i].Name, again[i])
		}
	}
}

// Signals beyond the end of a short frame are absent, as are all of a remote frame.
func TestShortAndRemoteFrames(t *testing.T) {
	m := &dbc.Message{Name: "Two", Length: 4, Signals: []*dbc.Signal{
		{Name: "A", Length: 8, Factor: 1}, {Name: "B", Start: 15, Length: 16, BigEndian: true, Factor: 1},
	}}
	c, err := dbc.Compile(m)
	require.NoError(t, err)
	got := make([]float64, 2)
	f := canbus.New(0x123, 5, 1, 2)
	require.Equal(t, 2, c.Decode(&f, got))
	require.Equal(t, []float64{5, 0x0102}, got)
	f = canbus.New(0x123, 5, 1)
	require.Equal(t, 1, c.Decode(&f, got))
	require.Equal(t, 5.0, got[0])
	require.True(t, math.IsNaN(got[1]))
	require.Equal(t, 1, c.Encode(&f, []float64{6, 7}))
	require.Equal(t, []byte{6, 1}, f.Payload())
	f = canbus.Frame{ID: 0x123, Flags: canbus.Remote, Len: 4}
	require.Zero(t, c.Decode(&f, got))
	require.True(t, math.IsNaN(c.Value(&f, 0)))
	require.Panics(t, func() { c.Decode(&f, got[:1]) })
}

func TestNothingIsAllocated(t *testing.T) {
	simple := &dbc.Message{Length: 8, Signals: []*dbc.Signal{
		{Name: "A", Length: 16, Factor: 0.25}, {Name: "N", Start: 16, Length: 4, Factor: 1, Counter: &dbc.Counter{Modulus: 16}},
		{Name: "C", Start: 56, Length: 8, Factor: 1, Checksum: &dbc.Checksum{Kind: 3, ID: true}},
	}}
	for _, m := range []*dbc.Message{simple, nested()} {
		c, err := dbc.Compile(m)
		require.NoError(t, err)
		f := c.Frame()
		values := make([]float64, len(m.Signals))
		require.Zero(t, testing.AllocsPerRun(100, func() {
			c.Decode(&f, values)
			c.Encode(&f, values)
			c.Advance(&f, 1)
			c.Seal(&f)
			c.Verify(&f)
			c.SetValue(&f, 0, c.Value(&f, 0)+1)
		}))
	}
}

func TestSignalsThatCannotBe(t *testing.T) {
	float := &dbc.Signal{Name: "F", Length: 32, Factor: 1, Encoding: dbc.Float32}
	a := &dbc.Signal{Name: "A", Length: 8, Factor: 1, Selectors: []dbc.Range{{}}}
	b := &dbc.Signal{Name: "B", Length: 8, Factor: 1, Under: a, Selectors: []dbc.Range{{}}}
	a.Under = b
	for want, m := range map[string]*dbc.Message{
		"65 bytes":                 {Length: 65},
		"0 bits":                   {Length: 8, Signals: []*dbc.Signal{{Factor: 1}}},
		"65 bits":                  {Length: 64, Signals: []*dbc.Signal{{Factor: 1, Length: 65}}},
		"starts at bit -1":         {Length: 8, Signals: []*dbc.Signal{{Factor: 1, Start: -1, Length: 1}}},
		"into byte 2":              {Length: 1, Signals: []*dbc.Signal{{Factor: 1, Start: 1, Length: 8}}},
		"float32 of 16 bits":       {Length: 8, Signals: []*dbc.Signal{{Factor: 1, Length: 16, Encoding: dbc.Float32}}},
		"factor 0":                 {Length: 8, Signals: []*dbc.Signal{{Length: 1}}},
		"none of the message's":    {Length: 8, Signals: []*dbc.Signal{{Length: 1, Factor: 1, Under: a}}},
		"is a float":               {Length: 8, Signals: []*dbc.Signal{float, {Length: 1, Factor: 1, Under: float}}},
		"in a circle":              {Length: 8, Signals: []*dbc.Signal{a, b}},
		"one role":                 {Length: 8, Signals: []*dbc.Signal{{Length: 8, Factor: 1, Counter: &dbc.Counter{Modulus: 4}, Checksum: &dbc.Checksum{Kind: 1}}}},
		"signed, want unsigned":    {Length: 8, Signals: []*dbc.Signal{{Length: 8, Factor: 1, Encoding: dbc.Signed, Counter: &dbc.Counter{Modulus: 4}}}},
		"modulo 17 in 4 bits":      {Length: 8, Signals: []*dbc.Signal{{Length: 4, Factor: 1, Counter: &dbc.Counter{Modulus: 17}}}},
		"crc16-ibm3740 in 8 bits":  {Length: 8, Signals: []*dbc.Signal{{Length: 8, Factor: 1, Checksum: &dbc.Checksum{Kind: 5}}}},
		"checksum across bytes":    {Length: 8, Signals: []*dbc.Signal{{Start: 4, Length: 8, Factor: 1, Checksum: &dbc.Checksum{Kind: 1}}}},
		"two checksums in one":     {Length: 8, Signals: []*dbc.Signal{{Length: 8, Factor: 1, Checksum: &dbc.Checksum{Kind: 1}}, {Start: 8, Length: 8, Factor: 1, Checksum: &dbc.Checksum{Kind: 1}}}},
		"with 5000 signals, want ": {Length: 8, Signals: make([]*dbc.Signal, 5000)},
	} {
		_, err := dbc.Compile(m)
		require.ErrorContains(t, err, want)
	}
}
