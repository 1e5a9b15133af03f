package bench_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/chance"
	"sawhorse/bench/fault"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
	"sawhorse/canbus/isotp"
	"sawhorse/canbus/isotp/link"
)

// testimony is what the units and a client know of one conversation, while a fault is on.
type testimony struct {
	asked int
	meant []heard // answers that the engine ECU gave, before anything was done to them
	got   []heard // what the client heard of it, and what came to nothing
	// sent are the frames of the bus by others than the client, received those that
	// the client had; touched are the used bytes of those that a fault changed.
	sent, received []canbus.Frame
	touched        []string
	// anything is how many frames at all the client had while the fault was on.
	anything int
}

// tap is a client's port, whose frames are counted before its transport has them.
type tap struct{ frames *[]canbus.Frame }

func (x tap) Receive(f *canbus.Frame) { *x.frames = append(*x.frames, *f) }
func (x tap) Sent(*canbus.Frame)      {}

// testify has a client ask the engine ECU for its identification number and its codes,
// twenty times from 1 s on; the fault is on from 0.9 s to 7 s.
func testify(t *testing.T, id string, params map[string]any) *testimony {
	t.Helper()
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(3)})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	x := &testimony{}
	now := func() time.Duration { return b.Loop.Now() }
	on := func() bool { return now() > 900*time.Millisecond && now() < 7*time.Second }
	b.Bus.Tap(func(s canbus.Sighting) {
		if !on() {
			return
		}
		if s.Touched != "" {
			x.touched = append(x.touched, s.Touched)
		}
		if s.Frame.ID == 0x7E8 {
			x.sent = append(x.sent, *s.Frame)
		}
	})
	mux, err := link.Attach(b.Bus, "client-1", b.Loop, clock.PriorityTool)
	require.NoError(t, err)
	_, err = b.Bus.Attach("client-2", tap{&x.received})
	require.NoError(t, err)
	bench.PlugIn(b, "client-1", "client-2")
	l, err := mux.Open(isotp.Emission(isotp.Normal(0x7E0, 0x7E8)), link.Handlers{
		OnMessage: func(p []byte) { x.got = append(x.got, heard{at: now(), data: slices.Clone(p)}) },
		OnFailed:  func(r isotp.Result, _ bool) { x.got = append(x.got, heard{at: now(), failed: r}) },
	})
	require.NoError(t, err)
	units, err := bench.Answering(b, "engine")
	require.NoError(t, err)
	units[0].Alter(func(_ time.Duration, answer []byte) ([]fault.Late, bool) {
		x.meant = append(x.meant, heard{at: now(), data: slices.Clone(answer)})
		return nil, false // looked at, left alone
	})
	hand := b.Hand()
	require.NoError(t, hand.Drive(map[string]any{"key": "on"}))
	for i := range 20 {
		request := readVIN
		if i%2 == 1 {
			request = []byte{0x03}
		}
		b.Loop.At(time.Second+time.Duration(i)*300*time.Millisecond, clock.PriorityTool, func() {
			if l.Send(request) == nil {
				x.asked++
			}
		})
	}
	b.Loop.At(900*time.Millisecond, clock.PriorityFault, func() { require.NoError(t, hand.SetFault(id, true, params)) })
	require.NoError(t, b.Run(context.Background(), 7*time.Second))
	for _, f := range x.received {
		if f.Time > time.Second {
			x.anything++
		}
	}
	x.received = slices.DeleteFunc(x.received, func(f canbus.Frame) bool { return f.ID != 0x7E8 || f.Time < 900*time.Millisecond })
	return x
}

// effects are what the testimony shows, in words.
func (x *testimony) effects() []string {
	var list []string
	add := func(is bool, word string) {
		if is {
			list = append(list, word)
		}
	}
	left := slices.Clone(x.meant)
	var wrong, late, failed int
	for _, h := range x.got {
		i := slices.IndexFunc(left, func(m heard) bool { return slices.Equal(m.data, h.data) && m.at <= h.at })
		switch {
		case h.data == nil:
			failed++
		case i < 0:
			wrong++
		default:
			// A whole identification number takes 5 ms by this bus.
			if h.at-left[i].at > 20*time.Millisecond {
				late++
			}
			left = slices.Delete(left, i, i+1)
		}
	}
	add(x.asked < 20, "not sent")
	add(len(x.meant) < x.asked, "not answered")
	add(len(left) > 0, "not heard")
	add(failed > 0, "broken off")
	add(wrong > 0, "not meant")
	add(late > 0, "late")
	add(len(x.sent) != len(x.received), "seen otherwise")
	add(x.anything == 0, "hears nobody")
	add(len(x.touched) > 0, "touched")
	return list
}

// may are the parts of a fault's reach that can have an effect.
var may = map[string]fault.Reach{
	"not sent":       fault.CutsTool | fault.CutsUnits | fault.Loses | fault.Adds | fault.Delays,
	"not answered":   fault.CutsTool | fault.CutsUnits | fault.Loses | fault.Adds | fault.Delays | fault.Falsifies | fault.Answers | fault.Ignored,
	"not heard":      fault.CutsTool | fault.CutsUnits | fault.Loses | fault.Adds | fault.Delays | fault.Falsifies | fault.Answers | fault.Ignored,
	"broken off":     fault.CutsTool | fault.CutsUnits | fault.Loses | fault.Adds | fault.Delays | fault.Falsifies,
	"not meant":      fault.Adds | fault.Falsifies | fault.Answers,
	"late":           fault.Adds | fault.Delays | fault.Loses | fault.Falsifies | fault.Answers,
	"seen otherwise": fault.CutsTool | fault.CutsUnits,
	"hears nobody":   fault.CutsTool,
	"touched":        fault.Loses | fault.Adds | fault.Delays | fault.Falsifies | fault.Unused | fault.Messages | fault.Ignored,
}

// What a fault does to a conversation is what its acts say that they can do, and of each
// kind some fault does it: what is held against a tool, and what is not, hangs on that.
// Peer of the bench's own account are the units and a client, who tell what they meant
// and what they heard.
func TestFaultsReachAsFarAsTheySay(t *testing.T) {
	engine := map[string]any{"ids": "7E8"}
	with := func(name string, v any) map[string]any { return map[string]any{"ids": "7E8", name: v} }
	shown := map[string][]string{}
	for _, c := range []struct {
		kind, id string
		params   map[string]any
		// some of these must be seen; none where it must not touch the conversation.
		some []string
	}{
		{"frames", "frames-lost", engine, []string{"not heard"}},
		{"frames", "frames-late", with("delay", 100.0), []string{"late", "broken off"}},
		{"frames", "frames-doubled", engine, []string{"not meant", "broken off"}},
		{"frames", "frames-reordered", with("delay", 100.0), []string{"late", "broken off"}},
		{"frames", "bits-flipped", with("at", 3.0), []string{"not meant", "broken off"}},
		{"frames", "bytes-overwritten", with("at", 3.0), []string{"not meant", "broken off"}},
		{"frames", "frame-length-wrong", with("length", 3.0), []string{"not heard"}},
		{"frames", "frame-id-wrong", engine, []string{"not heard"}},
		{"frames", "values-frozen", engine, []string{"not meant", "not heard", "broken off"}},
		{"frames", "values-stale", with("delay", 200.0), []string{"not meant", "not heard", "broken off"}},
		{"padding", "padding-wrong", engine, nil},
		{"padding", "padding-missing", engine, []string{"not heard"}}, // emission diagnostics want eight bytes (ISO 15765-4)
		{"babble", "bus-flooded", nil, []string{"not sent", "late", "not heard", "not answered"}},
		{"bus_off", "node-bus-off", map[string]any{"sender": "engine"}, nil},
		{"bit_error", "bit-errors", with("count", 0.0), []string{"not heard", "late", "broken off"}},
		{"answers", "answer-missing", nil, []string{"not heard"}},
		{"answers", "answer-late", map[string]any{"delay": 100.0}, []string{"late"}},
		{"answers", "request-refused", map[string]any{"code": "21"}, nil}, // what it says is what is
		{"flow", "flow-control-odd", map[string]any{"sender": "tool"}, []string{"not heard", "late", "broken off"}},
		{"flow", "flow-control-odd", nil, nil}, // nobody sends a long request
		{"unit", "voltage-dip", map[string]any{"ecu": "engine", "lasting": 900.0}, []string{"not answered"}},
		{"signal", "signal-offset", map[string]any{"message": "EngineTorque", "signal": "TorqueActual", "value": 100.0}, nil},
		{"cable_off", "tool-cable-pulled", nil, []string{"not sent", "not answered"}},
		{"silent", "engine-ecu-off-network", nil, []string{"not answered"}},
		{"copper", "network-shorted", nil, []string{"not sent", "not answered"}},
		{"wire", "coolant-sensor-open", nil, nil},
		{"plug_off", "", nil, nil},
		{"part", "vacuum-leak", nil, nil},
		{"forget", "clutch-unlearned", nil, nil},
		{"skew", "air-mass-misreads", nil, nil},
		{"swap_pins", "", nil, nil}, {"blow", "", nil, nil}, {"store", "", nil, nil}, {"key", "", nil, nil}, {"rail", "", nil, nil},
	} {
		for _, id := range idsOf(t, c.kind, c.id) {
			t.Run(id, func(t *testing.T) {
				e, err := fault.Find(id)
				require.NoError(t, err)
				require.Contains(t, e.Kinds(), c.kind)
				f, err := fault.New(id, c.params)
				require.NoError(t, err)
				x := testify(t, id, c.params)
				seen := x.effects()
				t.Logf("%s: %s", id, strings.Join(seen, ", "))
				for _, effect := range seen {
					assert.NotZero(t, f.Reach()&may[effect], "%s: the client finds it, and no act says that it can", effect)
				}
				if f.Reach()&(fault.Answers|fault.CarOnly|fault.Messages) == f.Reach() {
					assert.Equal(t, len(x.sent), len(x.received), "all see the same")
				}
				seen = slices.DeleteFunc(seen, func(s string) bool { return s == "touched" })
				if c.some != nil {
					assert.True(t, slices.ContainsFunc(c.some, func(s string) bool { return slices.Contains(seen, s) }), "want one of %v, saw %v", c.some, seen)
				} else if f.Reach()&fault.CutsUnits == 0 {
					assert.Empty(t, seen)
				}
				shown[c.kind] = append(shown[c.kind], id)
			})
		}
	}
	for _, kind := range fault.Kinds() {
		assert.NotEmpty(t, shown[kind], "no fault shows how far acts of the kind %s reach", kind)
	}
}

// idsOf is a fault, or the first of the catalogue that has an act of the kind and no other.
func idsOf(t *testing.T, kind, id string) []string {
	t.Helper()
	if id != "" {
		return []string{id}
	}
	for _, e := range fault.Catalogue() {
		if k := e.Kinds(); len(k) == 1 && k[0] == kind && possible(t, e.ID) {
			return []string{e.ID}
		}
	}
	t.Fatalf("the catalogue has no fault of the kind %s alone", kind)
	return nil
}

// possible reports whether the car can have the fault.
func possible(t *testing.T, id string) bool {
	t.Helper()
	b, err := bench.New(bench.Settings{Car: "petrel-48", Seed: chance.Seed(3)})
	require.NoError(t, err)
	defer b.Close()
	return b.Hand().SetFault(id, true, nil) == nil
}
