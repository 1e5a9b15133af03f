package wire

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// act is one thing done to a bus at a moment.
type act struct {
	at   time.Duration
	what int
	node int
	arg  int
}

func drawActs(t *rapid.T) []act {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) act {
		return act{
			at:   time.Duration(rapid.IntRange(0, 20_000).Draw(t, "us")) * time.Microsecond,
			what: rapid.IntRange(0, 19).Draw(t, "what"),
			node: rapid.IntRange(0, 3).Draw(t, "node"),
			arg:  rapid.IntRange(0, 1000).Draw(t, "arg"),
		}
	}), 1, 120).Draw(t, "acts")
}

type tally struct{ accepted, sent, received uint64 }

// chaos runs the acts on a bus of four nodes and gives its log. The end of the
// run is sound and quiet, and long enough for everything to be sent.
func chaos(t require.TestingT, acts []act) (log []string, bus *Bus, tallies [4]tally) {
	loop := clock.NewVirtual()
	bus, err := New(loop, "mem", Config{DataBitRate: 2_000_000, Queue: 20, RecoverAfter: 5 * time.Millisecond, ReportErrors: true})
	require.NoError(t, err)
	last := time.Duration(0)
	bus.Tap(func(s canbus.Sighting) {
		if s.Frame.Time != loop.Now() || s.Frame.Time < last {
			log = append(log, "time is wrong")
		}
		last = s.Frame.Time
		log = append(log, fmt.Sprintf("%v %s %s %s", s.Frame.Time, s.Sender, s.Frame.String(), s.Touched))
	})
	bus.Disturb(func(tr Try) (Hit, bool) {
		k := int(tr.Frame.Data[0])*7 + tr.Attempt*13
		h := Hit{Bit: k % (tr.Bits + 3), Note: "hit"}
		if k%5 == 0 {
			h.At = string(rune('a' + k%4))
		}
		return h, tr.Start < 20*time.Millisecond && k%3 == 0
	})
	var ports [4]*Port
	for i := range ports {
		n := &testNode{}
		n.onSent = func(*canbus.Frame) { tallies[i].sent++; n.sent = nil }
		n.onFrame = func(*canbus.Frame) { tallies[i].received++; n.received = nil }
		p, err := bus.Attach(string(rune('a'+i)), n)
		require.NoError(t, err)
		ports[i] = p.(*Port)
	}
	for _, a := range acts {
		loop.At(a.at, clock.PriorityTool, func() { do(bus, ports[a.node], a, &tallies[a.node]) })
	}
	loop.At(25*time.Millisecond, clock.PriorityTool, func() {
		bus.SetWiring(Sound)
		bus.Mend()
		for _, p := range ports {
			p.Plug()
		}
	})
	require.NoError(t, loop.Run(context.Background(), 300*time.Millisecond))
	return log, bus, tallies
}

func do(bus *Bus, p *Port, a act, t *tally) {
	switch a.what {
	case 0:
		p.Unplug()
	case 1, 2:
		p.Plug()
	case 3:
		bus.SetWiring(Wiring(a.arg % 3))
	case 4, 5:
		bus.SetWiring(Sound)
	case 6:
		_ = bus.Cut(p.Name(), string(rune('a'+a.arg%4)))
	case 7:
		bus.Mend()
	case 8:
		p.ForceBusOff()
	case 9:
		_ = p.Recover()
	default:
		f := canbus.New(canbus.ID(0x100+a.arg%3), byte(a.arg), byte(a.node))
		if a.arg%4 == 0 {
			f = canbus.NewFD(canbus.ID(0x100+a.arg%3), canbus.BitRateSwitch, byte(a.arg), byte(a.node))
		}
		if p.Send(&f) == nil {
			t.accepted++
		}
	}
}

// Whatever happens to a bus: no frame is lost without being counted, the counters
// keep their ranges, and once everything is sound again everything is sent and
// everybody is back.
func TestChaosKeepsTheBooks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log, bus, tallies := chaos(t, drawActs(t))
		if slices.Contains(log, "time is wrong") {
			t.Fatal("a frame's time is not the time of its event")
		}
		for i, s := range bus.Stats().Ports {
			c := s.Confinement
			if s.Queued != 0 || tallies[i].accepted != s.Sent+s.Dropped {
				t.Fatalf("%s: %d accepted, %d sent, %d dropped, %d waiting", s.Name, tallies[i].accepted, s.Sent, s.Dropped, s.Queued)
			}
			if tallies[i].sent != s.Sent || tallies[i].received != s.Received {
				t.Fatalf("%s: told of %+v, counted %d sent %d received", s.Name, tallies[i], s.Sent, s.Received)
			}
			if c.State == BusOff || c.TEC < 0 || c.TEC > 255 || c.REC < 0 || c.REC > 255 {
				t.Fatalf("%s ends as %+v", s.Name, c)
			}
			if want := max(levelOf(c.TEC), levelOf(c.REC)); c.State != want {
				t.Fatalf("%s: state %v with counters %d and %d", s.Name, c.State, c.TEC, c.REC)
			}
		}
		if total := bus.Stats().Total; total < 0 || total > 1 {
			t.Fatalf("load %v", total)
		}
		if bus.main.counted != 0 || bus.main.phase != quiet {
			t.Fatalf("%d count recessive bits, phase %d", bus.main.counted, bus.main.phase)
		}
	})
}

// Equal calls give equal buses.
func TestDeterminism(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		acts := drawActs(t)
		first, _, _ := chaos(t, acts)
		second, _, _ := chaos(t, acts)
		if !slices.Equal(first, second) {
			t.Fatalf("two runs differ:\n%v\n%v", first, second)
		}
	})
}
