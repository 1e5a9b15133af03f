package bench_test

import (
	"context"
	"iter"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench"
	"sawhorse/bench/car"
	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// siskin is the example of a car of one's own: units only, all of them data.
const siskin = "../deploy/examples/siskin2"

// workbench is a car with somebody who asks its units.
type workbench struct {
	t     *testing.T
	b     *bench.Bench
	tool  *asked
	pause func(time.Duration) bool
}

// atWorkbench runs what is done on a car in its time: wait lets the loop go on.
func atWorkbench(t *testing.T, name string, work func(w *workbench)) {
	t.Helper()
	b, err := bench.New(bench.Settings{Car: name, Seed: 1})
	require.NoError(t, err)
	defer func() { require.NoError(t, b.Close()) }()
	w := &workbench{t: t, b: b, tool: &asked{}}
	w.tool.port, err = b.Bus.Attach("tool", w.tool)
	require.NoError(t, err)
	next, stop := iter.Pull(func(yield func(time.Duration) bool) {
		w.pause = yield
		work(w)
	})
	defer stop()
	var on func()
	on = func() {
		if d, more := next(); more {
			b.Loop.At(b.Loop.Now()+d, clock.PriorityTool, on)
			return
		}
		b.Loop.Stop()
	}
	b.Loop.At(0, clock.PriorityTool, on)
	require.NoError(t, b.Run(context.Background(), time.Hour))
}

func (w *workbench) wait(d time.Duration) { w.pause(d) }

func (w *workbench) drive(control string, value any) {
	w.t.Helper()
	require.NoError(w.t, w.b.Hand().Drive(map[string]any{control: value}))
}

// ask sends a request of one frame and gives the answer, put together; positive or not.
func (w *workbench) ask(id canbus.ID, flags canbus.Flags, answer canbus.ID, data ...byte) []byte {
	w.t.Helper()
	w.tool.got = nil
	send := func(data ...byte) {
		f := canbus.Frame{ID: id, Flags: flags, Len: 8}
		copy(f.Data[:], data)
		require.NoError(w.t, w.tool.port.Send(&f))
	}
	send(append([]byte{byte(len(data))}, data...)...)
	w.wait(50 * time.Millisecond)
	frames := w.tool.from(answer)
	require.NotEmpty(w.t, frames, "no answer to % X", data)
	first := frames[0].Payload()
	if first[0]>>4 == 0 {
		return first[1 : 1+first[0]]
	}
	send(0x30, 0, 0)
	w.wait(200 * time.Millisecond)
	n := int(first[0]&0xF)<<8 | int(first[1])
	got := append([]byte(nil), first[2:]...)
	for _, f := range w.tool.from(answer)[1:] {
		got = append(got, f.Payload()[1:]...)
	}
	require.GreaterOrEqual(w.t, len(got), n)
	return got[:n]
}

func (w *workbench) climate(data ...byte) []byte {
	w.t.Helper()
	return w.ask(0x7A0, 0, 0x7A8, data...)
}

func (w *workbench) door(data ...byte) []byte {
	w.t.Helper()
	return w.ask(0x7A1, 0, 0x7A9, data...)
}

// A car of units only answers over the bus what its own signals say, sets the code of a
// circuit that opens, and forgets it when it is mended and cleared. The layouts are those
// of ISO 14229-1:2020: 19 02 lists code, failure type and status (12.3), B1011 is 90 11
// in its two bytes (SAE J2012).
func TestACarOfUnitsOnly(t *testing.T) {
	_, err := car.Use(siskin)
	require.NoError(t, err)
	atWorkbench(t, "siskin-2", func(w *workbench) {
		w.drive("key", "on")
		w.wait(2 * time.Second)

		vin := w.b.Car.Spec().Identity.VIN
		assert.Equal(t, append([]byte{0x62, 0xF1, 0x90}, vin...), w.climate(0x22, 0xF1, 0x90))

		// 20 degC by the sensor's table, which goes straight between its points, to a degree.
		got := w.climate(0x22, 0x02, 0x01)
		require.Len(t, got, 4)
		assert.InDelta(t, 20, float64(got[3])*0.5-40, 1.5)
		w.drive("cabin_c", 50)
		w.wait(300 * time.Millisecond)
		assert.InDelta(t, 50, float64(w.climate(0x22, 0x02, 0x01)[3])*0.5-40, 1)
		assert.InDelta(t, 50, float64(w.climate(0x22, 0x02, 0x02)[3])*0.5, 1, "the flap")

		assert.Equal(t, []byte{0x59, 0x02}, w.climate(0x19, 0x02, 0x09)[:2])
		assert.Len(t, w.climate(0x19, 0x02, 0x09), 3, "no code")
		sensor, ok := w.b.Car.Circuit("cabin-sensor")
		require.True(t, ok)
		sensor.SetWiring(car.Wiring{State: car.Open})
		w.wait(2 * time.Second)
		codes := w.climate(0x19, 0x02, 0x09)
		require.Len(t, codes, 7)
		assert.Equal(t, []byte{0x90, 0x11, 0x15}, codes[3:6])
		assert.EqualValues(t, 0x09, codes[6]&0x09, "failed and confirmed")
		sensor.SetWiring(car.Wiring{})
		w.wait(2 * time.Second)
		assert.Equal(t, []byte{0x54}, w.climate(0x14, 0xFF, 0xFF, 0xFF))
		assert.Len(t, w.climate(0x19, 0x02, 0x09), 3)
	})
}

// A load has the codes of its stage, and a tool can switch it (service 2F, ISO
// 14229-1:2020 14.1); what one unit says reaches the other by the network.
func TestLoadsAndMessagesOfUnitsThatAreData(t *testing.T) {
	_, err := car.Use(siskin)
	require.NoError(t, err)
	atWorkbench(t, "siskin-2", func(w *workbench) {
		w.drive("key", "on")
		w.wait(2 * time.Second)
		assert.Equal(t, []byte{0x62, 0x02, 0x03, 0}, w.climate(0x22, 0x02, 0x03))
		w.drive("door_open", true)
		w.wait(500 * time.Millisecond)
		assert.Equal(t, []byte{0x62, 0x01, 0x01, 1}, w.door(0x22, 0x01, 0x01))
		assert.Equal(t, []byte{0x62, 0x02, 0x03, 1}, w.climate(0x22, 0x02, 0x03), "heard from the door unit")
		lamp, _ := w.b.Car.Circuit("door-lamp")
		assert.InDelta(t, 12.6/12, lamp.Amps(), 0.01)

		blower, _ := w.b.Car.Circuit("blower-relay")
		assert.False(t, blower.Commanded())
		assert.Equal(t, []byte{0x50, 0x03}, w.climate(0x10, 0x03)[:2])
		assert.Equal(t, []byte{0x6F, 0x02, 0x80, 0x03, 0x01}, w.climate(0x2F, 0x02, 0x80, 0x03, 0x01))
		w.wait(100 * time.Millisecond)
		assert.True(t, blower.Commanded())

		for state, want := range map[car.WireState][]byte{
			car.Open: {0x90, 0x30, 0x13}, car.ShortToBattery: {0x90, 0x32, 0x12},
		} {
			w.climate(0x14, 0xFF, 0xFF, 0xFF)
			w.climate(0x10, 0x03)
			w.climate(0x2F, 0x02, 0x80, 0x03, 0x01)
			blower.SetWiring(car.Wiring{State: state})
			w.wait(time.Second)
			codes := w.climate(0x19, 0x02, 0x01)
			require.GreaterOrEqual(t, len(codes), 7, "%v", state)
			assert.Equal(t, want, codes[3:6], "%v", state)
			blower.SetWiring(car.Wiring{})
			w.wait(time.Second)
		}

		require.NoError(t, w.b.Hand().Drive(map[string]any{"key": "off"}))
		w.wait(time.Second)
		assert.False(t, blower.Commanded())
	})
}

// A unit that is data misses its partner: the door unit falls silent on the network, and
// the climate unit sets its code and shows the reading that follows from it. U0199 is C1 99
// in its two bytes (SAE J2012).
func TestAUnitThatIsDataMissesItsPartner(t *testing.T) {
	_, err := car.Use(siskin)
	require.NoError(t, err)
	atWorkbench(t, "siskin-2", func(w *workbench) {
		w.drive("key", "on")
		w.wait(3 * time.Second)
		assert.Len(t, w.climate(0x19, 0x02, 0x01), 3, "no code")
		require.NoError(t, w.b.Hand().SetFault("node-silent", true, map[string]any{"sender": "door"}))
		w.wait(2 * time.Second)
		codes := w.climate(0x19, 0x02, 0x01)
		require.Len(t, codes, 7)
		assert.Equal(t, []byte{0xC1, 0x99, 0x87}, codes[3:6])
		require.NoError(t, w.b.Hand().SetFault("node-silent", false, nil))
		w.wait(3 * time.Second)
		assert.Len(t, w.climate(0x19, 0x02, 0x01), 3, "heard again")
		require.NoError(t, w.b.Hand().SetFault("circuit-open", true, map[string]any{"circuit": "flap-sensor"}))
		w.wait(2 * time.Second)
		assert.Equal(t, []byte{0x90, 0x20, 0x14}, w.climate(0x19, 0x02, 0x01)[3:6])
		err := w.b.Hand().SetFault("circuit-shorted-to-ground", true, map[string]any{"circuit": "coolant-sensor"})
		assert.ErrorContains(t, err, `the car siskin-2 has no circuit "coolant-sensor"`)
	})
}

// airbag is a seventh unit for the car that has six.
const airbag = `ecu: airbag
title: Airbag
addresses: {request: 0x18DA58F1, response: 0x18DAF158, extended: true}
network: {bus: drive}
power:
  powered: {signal: powered, is: 1}
  cycle: {signal: key, at_least: 2}
program:
  readings:
    - {reading: squib_v, unit: V, text: voltage at the igniter, circuit: squib}
  codes:
    - {code: B0002, circuit: squib, above: 4.5}
sessions:
  - {session: default, id: 0x01}
services:
  - {service: 0x10}
  - {service: 0x14}
  - {service: 0x19}
  - {service: 0x22}
dids:
  - {did: 0x0500, name: voltage at the igniter, fields: [{signal: squib_v, per_bit: 0.01, bytes: 2}]}
codes:
  - {code: B0002, ftb: 0x13, text: igniter open, fail: 300ms, pass: 300ms}
`

// seventh writes a car with a seventh unit.
func seventh(t *testing.T, name string) string {
	t.Helper()
	auklet, err := car.BuiltIn("auklet-18")
	require.NoError(t, err)
	dir := filepath.Join(t.TempDir(), name)
	require.NoError(t, car.Export(auklet, dir))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "ecu-airbag.yaml"), []byte(airbag), 0o644))
	reword(t, filepath.Join(dir, "car.yaml"), "ecu_files: [", "ecu_files: [ecu-airbag.yaml, ")
	reword(t, filepath.Join(dir, "car.yaml"), "ecu_files:\n", "ecu_files:\n  - ecu-airbag.yaml\n")
	reword(t, filepath.Join(dir, "circuits.yaml"), "\ncircuits:\n", `
signals:
  - {signal: squib_v, unit: V, text: voltage over the igniter, value: 2, max: 5}
circuits:
  - circuit: squib
    text: igniter of the driver's airbag
    measures: squib_v
    element: {source: {ohm: 3}}
    input: {pull_v: 5, pull_ohm: 1000}
`)
	return dir
}

// reword replaces text of a file, where it is.
func reword(t *testing.T, file, old, now string) {
	t.Helper()
	data, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(string(data), old, now, 1)), 0o644))
}

// A seventh unit beside six with programs is data alone: it answers over the bus, sets
// the code of its igniter's circuit when that is open, and clears it.
func TestASeventhUnit(t *testing.T) {
	_, err := car.Use(seventh(t, "auklet-seven"))
	require.NoError(t, err)
	atWorkbench(t, "auklet-seven", func(w *workbench) {
		ask := func(data ...byte) []byte {
			return w.ask(0x18DA58F1, canbus.Extended, 0x18DAF158, data...)
		}
		w.drive("key", "on")
		w.wait(2 * time.Second)
		got := ask(0x22, 0x05, 0x00)
		require.Len(t, got, 5)
		assert.InDelta(t, 200, int(got[3])<<8|int(got[4]), 2, "2 V in hundredths")
		assert.Len(t, ask(0x19, 0x02, 0x09), 3)
		squib, _ := w.b.Car.Circuit("squib")
		squib.SetWiring(car.Wiring{State: car.Open})
		w.wait(time.Second)
		codes := ask(0x19, 0x02, 0x09)
		require.Len(t, codes, 7)
		assert.Equal(t, []byte{0x80, 0x02, 0x13}, codes[3:6])
		squib.SetWiring(car.Wiring{})
		w.wait(time.Second)
		assert.Equal(t, []byte{0x54}, ask(0x14, 0xFF, 0xFF, 0xFF))
		assert.Len(t, ask(0x19, 0x02, 0x09), 3)
	})
}

// A mistake in a car of one's own is told with file, line and column. Each file of
// testdata/rejected-cars says what one of the example's files has instead of something, and
// what is said to it; -update writes that anew.
func TestMistakesInACarOfOnesOwn(t *testing.T) {
	files, err := filepath.Glob("testdata/rejected-cars/*.txt")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	place := regexp.MustCompile(`^[a-z0-9-]+\.(yaml|dbc)(:\d+:\d+)?: `)
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".txt")
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(f)
			require.NoError(t, err)
			parts := regexp.MustCompile(`\n--- [a-z ]+\n`).Split(string(data), -1)
			require.Len(t, parts, 4)
			dir := filepath.Join(t.TempDir(), name)
			require.NoError(t, os.CopyFS(dir, os.DirFS(siskin)))
			reword(t, filepath.Join(dir, "car.yaml"), "siskin-2", name)
			reword(t, filepath.Join(dir, parts[0]), parts[1], parts[2])
			found, err := car.Use(dir)
			if err == nil {
				_, err = bench.New(bench.Settings{Car: found[0].Name})
			}
			require.Error(t, err)
			got := strings.ReplaceAll(err.Error(), filepath.ToSlash(dir)+"/", "") + "\n"
			assert.Regexp(t, place, got)
			if *updateCaptures {
				require.NoError(t, os.WriteFile(f, []byte(strings.TrimSuffix(string(data), parts[3])+got), 0o644))
				return
			}
			assert.Equal(t, parts[3], got)
		})
	}
}
