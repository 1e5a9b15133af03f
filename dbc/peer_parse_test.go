package dbc_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	peer "go.einride.tech/can/pkg/dbc"
	"pgregory.net/rapid"

	"sawhorse/canbus"
	"sawhorse/dbc"
)

// peerParse has go.einride.tech/can read a file; nil if it refuses.
func peerParse(data []byte) (defs []peer.Def) {
	defer func() { // its scanner panics on some damaged files
		if recover() != nil {
			defs = nil
		}
	}()
	p := peer.NewParser("peer.dbc", data)
	if p.Parse() != nil {
		return nil
	}
	return p.Defs()
}

// exampleFile is the library's own example, from the module's source on disk.
func exampleFile(t *testing.T) string {
	t.Helper()
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "go.einride.tech/can").Output()
	require.NoError(t, err)
	return filepath.Join(strings.TrimSpace(string(out)), "testdata", "dbc", "example", "example.dbc")
}

// On files that the library accepts, both read the same messages and signals.
func TestParsesAsTheLibrary(t *testing.T) {
	list := append(files(t, "quirks"), petrelFile, exampleFile(t))
	accepted := 0
	for _, file := range list {
		data, err := os.ReadFile(file)
		require.NoError(t, err)
		defs := peerParse(data)
		if defs == nil {
			continue
		}
		accepted++
		n, err := dbc.Parse(file, data)
		require.NoError(t, err)
		compare(t, file, defs, n)
	}
	t.Logf("the library accepts %d of %d files", accepted, len(list))
	require.GreaterOrEqual(t, accepted, 10)
}

func compare(t require.TestingT, file string, defs []peer.Def, n *dbc.Network) {
	for _, d := range defs {
		switch d := d.(type) {
		case *peer.MessageDef:
			compareMessage(t, file, d, n)
		case *peer.NodesDef:
			for _, name := range d.NodeNames {
				_, ok := n.Node(string(name))
				require.True(t, ok || name == peer.NodePlaceholder, "%s: node %s", file, name)
			}
		case *peer.SignalValueTypeDef:
			if s := signalOf(n, d.MessageID, string(d.SignalName)); s != nil {
				want := map[peer.SignalValueType]bool{1: s.Encoding == dbc.Float32, 2: s.Encoding == dbc.Float64, 0: s.Encoding < dbc.Float32}
				require.True(t, want[d.SignalValueType], "%s: %s", file, d.SignalName)
			}
		}
	}
}

func signalOf(n *dbc.Network, id peer.MessageID, name string) *dbc.Signal {
	m, ok := n.Message(canbus.KeyOf(canbus.ID(id.ToCAN()), id.IsExtended()))
	if !ok {
		return nil
	}
	s, _ := m.Signal(name)
	return s
}

func compareMessage(t require.TestingT, file string, d *peer.MessageDef, n *dbc.Network) {
	m, ok := n.Message(canbus.KeyOf(canbus.ID(d.MessageID.ToCAN()), d.MessageID.IsExtended()))
	if !ok {
		require.True(t, warned(n, string(d.Name)), "%s: message %s is missing without a word", file, d.Name)
		return
	}
	require.Equal(t, string(d.Name), m.Name, file)
	if canbus.LengthOf(canbus.DLC(int(d.Size))) == int(d.Size) {
		require.Equal(t, int(d.Size), m.Length, "%s: %s", file, m.Name)
	}
	if d.Transmitter == peer.NodePlaceholder {
		d.Transmitter = peer.Identifier(m.Sender)
	}
	require.Equal(t, string(d.Transmitter), m.Sender, file)
	for i := range d.Signals {
		compareSignal(t, file, &d.Signals[i], m, n)
	}
}

func compareSignal(t require.TestingT, file string, d *peer.SignalDef, m *dbc.Message, n *dbc.Network) {
	s, ok := m.Signal(string(d.Name))
	if !ok {
		require.True(t, warned(n, string(d.Name)), "%s: signal %s is missing without a word", file, d.Name)
		return
	}
	require.Equal(t, []any{int(d.StartBit), int(d.Size), d.IsBigEndian, d.Factor, d.Offset}, []any{s.Start, s.Length, s.BigEndian, s.Factor, s.Offset}, "%s: %s", file, s.Name)
	if s.Encoding < dbc.Float32 {
		require.Equal(t, d.IsSigned, s.Encoding == dbc.Signed, "%s: %s", file, s.Name)
	}
	if d.Minimum <= d.Maximum {
		require.Equal(t, []float64{d.Minimum, d.Maximum}, []float64{s.Min, s.Max}, "%s: %s", file, s.Name)
	}
	require.Equal(t, strings.ReplaceAll(d.Unit, `\"`, `"`), s.Unit, "%s: %s", file, s.Name)
	require.Equal(t, d.IsMultiplexerSwitch, s.Switch, "%s: %s", file, s.Name)
	require.Equal(t, d.IsMultiplexed, s.Under != nil, "%s: %s", file, s.Name)
	if d.IsMultiplexed && len(s.Selectors) == 1 && s.Selectors[0].Low == s.Selectors[0].High {
		require.Equal(t, d.MultiplexerSwitch, s.Selectors[0].Low, "%s: %s", file, s.Name)
	}
	for _, name := range d.Receivers {
		if name != peer.NodePlaceholder && !strings.EqualFold(string(name), string(peer.NodePlaceholder)) {
			require.Contains(t, s.Receivers, string(name), "%s: %s", file, s.Name)
		}
	}
}

func warned(n *dbc.Network, name string) bool {
	for _, w := range n.Warnings {
		if strings.Contains(w.What, name) && strings.Contains(w.What, "left out") {
			return true
		}
	}
	return false
}

// Random networks written out in clean notation are read alike, and as they were drawn.
func TestParsesRandomNetworksAsTheLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := "VERSION \"\"\nNS_ :\nBS_:\nBU_: A B\n"
		messages := rapid.IntRange(1, 5).Draw(t, "messages")
		var drawn []*dbc.Message
		for i := range messages {
			m := drawMessage(t, 8)
			m.Key = canbus.Key(i + 1)
			m.Name = "M" + string(rune('a'+i))
			drawn = append(drawn, m)
			text += writeMessage(m)
		}
		n, err := dbc.Parse("drawn.dbc", []byte(text))
		require.NoError(t, err)
		defs := peerParse([]byte(text))
		require.NotNil(t, defs, text)
		compare(t, "drawn", defs, n)
		require.Len(t, n.Messages, messages)
		for i, m := range n.Messages {
			require.Len(t, m.Signals, len(drawn[i].Signals))
			for j, s := range m.Signals {
				d := *drawn[i].Signals[j]
				d.Receivers = []string{"B"}
				got, want := dumpSignal(s), dumpSignal(&d)
				require.Equal(t, want, got)
			}
		}
	})
}
