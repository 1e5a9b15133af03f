package dbc_test

import (
	"errors"
	"io"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/canbus"
	"sawhorse/canbus/capture"
	"sawhorse/canbus/wire"
	"sawhorse/dbc"
	"sawhorse/dbc/checksum"
)

// petrelFile is the network of a car that comes with the program.
const petrelFile = "../bench/car/petrel48/petrel-48.dbc"

func petrel(t *testing.T) *dbc.Network {
	t.Helper()
	n, err := dbc.Load(petrelFile)
	require.NoError(t, err)
	require.Empty(t, n.Warnings)
	return n
}

// The network has what a network has: periods, both orders, signs, names of values, a
// multiplexed message, each kind of checksum.
func TestPetrelNetwork(t *testing.T) {
	n := petrel(t)
	var big, little, signed, named, multiplexed int
	kinds := map[checksum.Kind]bool{}
	for _, m := range n.Messages {
		require.Less(t, m.Key, canbus.Key(0x600), m.Name)
		require.GreaterOrEqual(t, m.CycleTime, 10*time.Millisecond, m.Name)
		require.LessOrEqual(t, m.CycleTime, time.Second, m.Name)
		require.NotEmpty(t, m.Comment, m.Name)
		_, ok := n.Node(m.Sender)
		require.True(t, ok, m.Name)
		require.NotEmpty(t, m.Codec().Counters(), m.Name)
		for _, s := range m.Signals {
			require.NotEmpty(t, s.Receivers, s.Name)
			require.NotContains(t, s.Receivers, m.Sender, "%s listens to itself", s.Name)
			if s.BigEndian {
				big++
			} else {
				little++
			}
			if s.Encoding == dbc.Signed {
				signed++
			}
			if len(s.Values) > 0 {
				named++
			}
			if s.Under != nil {
				multiplexed++
			}
			if s.Checksum != nil {
				kinds[s.Checksum.Kind] = true
			}
		}
	}
	for what, count := range map[string]int{"big-endian": big, "little-endian": little, "signed": signed, "named": named, "multiplexed": multiplexed} {
		require.GreaterOrEqual(t, count, 5, what)
	}
	require.Len(t, kinds, len(checksum.Kinds()))
}

// The messages at their periods fill 30 to 42 % of 500 kbit/s, stuff bits and
// intermission (3 bits, ISO 11898-1) counted.
func TestPetrelLoad(t *testing.T) {
	var busy float64
	for _, m := range petrel(t).Messages {
		f := m.Codec().Frame()
		values := make([]float64, len(m.Signals))
		for i, s := range m.Signals {
			values[i] = s.Min + 0.3*(s.Max-s.Min)
		}
		m.Codec().Encode(&f, values)
		m.Codec().Seal(&f)
		bits, _ := wire.Bits(&f)
		busy += float64(bits+3) / m.CycleTime.Seconds()
	}
	load := busy / 500e3
	t.Logf("%.1f %%", 100*load)
	require.InDelta(t, 0.36, load, 0.06)
}

// Every frame of the workshop's recording is a message of the network: of its length,
// with its counter, and what it says of speed, engine and battery is what was driven.
func TestTheRecordingIsOfTheNetwork(t *testing.T) {
	n := petrel(t)
	r, err := capture.Open("../testdata/captures/workshop-drive.pcapng.gz")
	require.NoError(t, err)
	defer r.Close()
	within := map[string][2]float64{
		"EngineSpeed.EngineSpeed": {600, 1700}, "EngineSpeed.AcceleratorPedal": {0, 30},
		"RoadSpeed.VehicleSpeed": {0, 50}, "WheelRearRight.SpeedRearRight": {0, 50},
		"BodyDoors.PedalOfBodyDoors": {0, 30}, "EngineTemperatures.Coolant": {80, 90},
		"EngineTemperatures.BatteryVoltage": {13.9, 13.9}, "ClusterClock.Seconds": {0, 20},
	}
	last := map[canbus.Key]uint64{}
	met := map[string]bool{}
	var f canbus.Frame
	for {
		if err := r.Next(&f); errors.Is(err, io.EOF) {
			break
		}
		m, ok := n.Message(f.Key())
		require.True(t, ok, "%s", f.Key())
		require.EqualValues(t, m.Length, f.Len, m.Name)
		c := m.Codec()
		count := c.Raw(&f, c.Counters()[0])
		if before, ok := last[f.Key()]; ok {
			require.Equal(t, (before+1)%16, count, m.Name)
		}
		last[f.Key()] = count
		_, _, sound := c.Verify(&f)
		require.True(t, sound, m.Name)
		for i, s := range m.Signals {
			v := c.Value(&f, i)
			require.False(t, math.IsNaN(v), s.Name)
			if w, ok := within[m.Name+"."+s.Name]; ok {
				require.True(t, v >= w[0]-0.001 && v <= w[1]+0.001, "%s is %g", s.Name, v)
				met[m.Name+"."+s.Name] = true
			}
		}
	}
	require.Len(t, met, len(within))
	require.Len(t, last, 22)
}
