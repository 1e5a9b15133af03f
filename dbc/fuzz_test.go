package dbc_test

import (
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/dbc"
)

// FuzzParse: whatever a file holds, it is read or refused with places inside of it. What
// is read is the same each time and has codecs that read any payload as the oracle does.
func FuzzParse(f *testing.F) {
	for _, dir := range []string{"quirks", "refused"} {
		for _, file := range seeds(f, dir) {
			data, err := os.ReadFile(file)
			require.NoError(f, err)
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if usable, err := dbc.ParseUsable("fuzz.dbc", data); err == nil {
			for _, m := range usable.Messages {
				exercise(t, m, data)
			}
		}
		n, err := dbc.Parse("fuzz.dbc", data)
		lines := strings.Count(string(data), "\n") + strings.Count(string(data), "\r") + 1
		if err != nil {
			var list dbc.Errors
			require.True(t, errors.As(err, &list))
			require.NotEmpty(t, list)
			for _, e := range list {
				place(t, e.Line, e.Column, lines, len(data))
			}
			return
		}
		for _, w := range n.Warnings {
			place(t, w.Line, w.Column, lines, len(data))
		}
		for _, m := range n.Messages {
			exercise(t, m, data)
		}
		again, err := dbc.Parse("fuzz.dbc", data)
		require.NoError(t, err)
		require.Equal(t, dump(n), dump(again))
	})
}

func seeds(f *testing.F, dir string) (list []string) {
	entries, err := os.ReadDir("testdata/" + dir)
	require.NoError(f, err)
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".dbc") {
			list = append(list, "testdata/"+dir+"/"+e.Name())
		}
	}
	require.NotEmpty(f, list)
	return list
}

// place checks a line and column; text in UTF-16 may have line ends that its bytes hide.
func place(t *testing.T, line, column, lines, size int) {
	t.Helper()
	require.GreaterOrEqual(t, line, 1)
	require.GreaterOrEqual(t, column, 1)
	require.LessOrEqual(t, line, max(lines, size+1))
	require.LessOrEqual(t, column, size+1)
}

func exercise(t *testing.T, m *dbc.Message, data []byte) {
	c := m.Codec()
	require.NotNil(t, c)
	frame := c.Frame()
	require.NoError(t, frame.Validate())
	copy(frame.Data[:frame.Len], data)
	values := make([]float64, len(m.Signals))
	present := c.Decode(&frame, values)
	for i, s := range m.Signals {
		if c.Present(&frame, i) {
			present--
		}
		require.Equal(t, oracleRaw(frame.Data[:], s), c.Raw(&frame, i), "%s", s.Name)
	}
	require.Zero(t, present)
	c.Advance(&frame, 3)
	c.Seal(&frame)
	_, _, ok := c.Verify(&frame)
	require.True(t, ok)
}

// FuzzSignal: any layout and payload read and write as the oracle does.
func FuzzSignal(f *testing.F) {
	f.Add(uint16(0), uint8(64), true, uint8(1), uint64(1<<63), []byte("12345678"))
	f.Add(uint16(3), uint8(64), false, uint8(0), ^uint64(0), []byte("123456789abc"))
	f.Add(uint16(5), uint8(64), true, uint8(1), uint64(5), []byte(strings.Repeat("\xA5", 64)))
	f.Add(uint16(511), uint8(1), false, uint8(0), uint64(1), []byte(strings.Repeat("\x5A", 64)))
	f.Fuzz(func(t *testing.T, start uint16, length uint8, big bool, encoding uint8, raw uint64, data []byte) {
		size := canbus.LengthOf(canbus.DLC(min(len(data), 64)))
		s := &dbc.Signal{Name: "S", Start: int(start), Length: int(length), BigEndian: big, Encoding: dbc.Encoding(encoding & 1), Factor: 0.5, Offset: -3}
		m := &dbc.Message{Name: "M", Length: size, FD: size > 8, Signals: []*dbc.Signal{s}}
		c, err := dbc.Compile(m)
		possible := length >= 1 && length <= 64 && int(start) < 8*size && fits(s, size)
		require.Equal(t, possible, err == nil, "%v", err)
		if err != nil {
			return
		}
		frame := c.Frame()
		copy(frame.Data[:size], data)
		got := oracleRaw(frame.Data[:], s)
		require.Equal(t, got, c.Raw(&frame, 0))
		var v [1]float64
		require.Equal(t, 1, c.Decode(&frame, v[:]))
		require.Equal(t, oracleValue(got, s), v[0])
		want := frame
		oracleSet(want.Data[:], s, raw)
		c.SetRaw(&frame, 0, raw)
		require.Equal(t, want.Data, frame.Data)
	})
}
