package spec_test

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
	"sawhorse/bench/car/strict"
	"sawhorse/bench/chance"
	"sawhorse/bench/ecu/dtc"
	"sawhorse/bench/ecu/ecutest"
	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/server"
	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
)

func unitsOf(c *car.Spec) ([]*spec.Unit, error) { return spec.Of(c, server.Vocabulary()) }

func load(name string, data []byte) (*spec.Unit, error) {
	return spec.Load(name, data, server.Vocabulary())
}

func loadAll(fsys fs.FS, files []string) ([]*spec.Unit, error) {
	return spec.LoadAll(fsys, files, server.Vocabulary())
}

func TestABadFileIsOneClearLine(t *testing.T) {
	_, err := load("small.yaml", []byte(ecutest.Small))
	require.NoError(t, err)
	for _, c := range []struct{ old, new, want string }{
		{"ecu: small", "ecu: small\nwheels: 4", `small.yaml:2:1: unknown field "wheels"`},
		{"ecu: small", "ecu: ''", "want the key ecu"},
		{"ecu: small", "ecu: small\nnetwork: {node: A, linger: 5s}", "small.yaml:2:28: network.linger: 5s without a condition in awake"},
		{"ecu: small", "ecu: small\nnetwork: {hears: [{message: B, from: b}]}", "network.node: missing, want the unit's name in the .dbc file"},
		{"ecu: small", "ecu: small\nnetwork: {node: A, hears: [{from: b}]}", "small.yaml:2:29: network.hears[0].message: missing, want the name of a message"},
		{"ecu: small", "ecu: small\nnetwork: {node: A, hears: [{message: B, from: b, timeout: 1ms}]}", "network.hears[0].timeout: 1ms, want at least 10ms"},
		{"ecu: small", "ecu: small\nnetwork: {node: A, hears: [{message: B, from: b}, {message: B, from: c}]}", "network.hears[1].message: B is there already"},
		{"request: 0x7E0", "request: 0x8E0", "small.yaml:2:22: addresses.request: 0x8e0, want an identifier up to 7FF"},
		{"request: 0x7E0", "request: 0x7E8", "same as the request"},
		{"functional: 0x7DF", "functional: 0x7E8", "of its own"},
		{"id: 0x03", "id: 0x01", "its own name and id"},
		{"id: 0x01", "id: 0x02", "small.yaml:7:28: sessions[0].id: 0x2, want 0x01"},
		{"{service: 0x10}", "{service: 0x84}", "small.yaml:10:15: services[0].service: 0x84 is no service this server has"},
		{"{service: 0x10}", "{service: 0x31}", "0x31 is there already"},
		{"{service: 0x10}", "{service: 0x2F, in: [default, extended]}", "small.yaml:10:25: services[0].in: 0x2f in the default session"},
		{"{service: 0x10}", "{service: 0x85}", "0x85 in the default session"},
		{"{service: 0x10}", "{service: 0x10, subs: [{sub: 0x07}]}", "0x07 is no sub-function of service 0x10 here"},
		{"in: [extended]}\nsec", "in: [workshop]}\nsec", `"workshop" is no session of the unit, want one of [default extended]`},
		{"secret: 7", "secret: 0", "want a number of 32 bits"},
		{"takes: 1s}", "takes: 1 second}", `small.yaml:15:28: "1 second" is no duration`},
		{"takes: 1s}", "takes: -1s}", "is no duration"},
		{"service: 0x22, takes", "service: 0x27, takes", "slow[0].service"},
		{"pid: 0x0C", "pid: 0x20", "says what is supported and is computed"},
		{"per_bit: 0.25", "per_bit: 1/0", `"1/0" is no scale`},
		{"per_bit: 0.25", "per_bit: zero", `small.yaml:18:64: "zero" is no scale`},
		{"per_bit: 0.25, ", "", "missing, want the value of one bit"},
		{"bytes: 2}", "bytes: 5}", "5, want 1 to 4"},
		{"{signal: rpm,", "{signal: rpm, text: vin,", "2 sources, want exactly one"},
		{"freeze_frame: [0x0C]", "freeze_frame: [0x0C, 0x0D]", "0x0d is no PID of the unit"},
		{"readiness: [components]", "readiness: [brakes]", `"brakes" is no readiness monitor, want one of catalyst, components`},
		{"readiness: [components]", "readiness: [components, catalyst]", `"catalyst" has no code`},
		{"security: 1}}", "security: 2}}", "2 is no security level"},
		{"{code: P0102", "{code: P01G2", `small.yaml:30:12: codes[0].code: "P01G2" is no trouble code`},
		{"fail: 1s,", "fail: 1s, trips: 3,", "3, want 1 or 2"},
		{"fail: 1s,", "fail: 1s, kind: condition,", "neither debounce nor trips"},
		{"nrc: 0x22", "nrc: 0x33", "0x33, want 0x22 or 0x81 to 0x94"},
		{"reason: 1,", "", "want 0x01 to 0xef"},
		{"steps: [{step: wait, takes: 4s}]", "steps: [{step: wait}]", "want either takes or until"},
		{"steps: [{step: wait, takes: 4s}]", "steps: []", "no steps"},
		{"from: rpm", "from: rpm, over: median", `"median", want one of last, mean`},
		{"is: 2, nrc", "nrc", "no limit, want one of is, below"},
		{"mid: 0x21", "mid: 0x20", "says what is supported and is computed"},
		{"tid: 0x80", "tid: 0", "want a test identifier"},
		{"uas: 0x2F", "uas: 0x7F", "0x7f is no unit and scaling"},
		{"code: P0102, signal", "code: P0999, signal", `"P0999" is no code of the unit`},
		{"at_least: 1, at_most", "at_least: 10, at_most", "10 is more than at_most (9)"},
		{"lasts: 1m, ", "", "want the longest time of the test"},
		{"output: vent, ", "", "want that of an output"},
		{"monitor: components, when", "monitor: catalyst, when", `"catalyst" is no readiness monitor of the unit`},
		{"did: 0x0400, in: [extended]", "did: 0x0400, in: [garage]", `"garage" is no session`},
		{"longest: 9s}", "longest: 9s, at_least: 2, at_most: 3}", "0, want 2 to 3"},
		{"address: 0x2000", "address: 0x10FF", "overlaps it"},
		{"address: 0x1000, size: 0x100,", "address: 0x1000, size: 4,", "4 bytes, want 5 to"},
		{"max_block: 66", "max_block: 2", "2, want 3 to 4095"},
		{"services: [0x10]", "services: [0x22]", "0x22 is no service of the unit"},
		{"rid: 0x0210\n", "rid: 0x0210\n    does: dance\n", `"dance", want erase or verify`},
		{"rid: 0x0210\n", "rid: 0x0210\n    does: verify\n", "the reason when the checksum is wrong"},
		{"{signal: key, is: 2, nrc: 0x22}", "{stored: vin, is: 2, nrc: 0x22}", "beside a reading"},
		{"ecu: small", "ecu: [", "small.yaml:1:"},
	} {
		bad := strings.Replace(ecutest.Small, c.old, c.new, 1)
		require.NotEqual(t, ecutest.Small, bad, "%q is not in the file", c.old)
		_, err := load("small.yaml", []byte(bad))
		var e *strict.Error
		require.True(t, errors.As(err, &e), "%s: %v", c.new, err)
		assert.Contains(t, err.Error(), c.want, c.new)
		assert.Positive(t, e.Line, "%s: %v", c.new, err)
		assert.NotContains(t, err.Error(), "\n", "one line")
	}
}

func TestUnitsThatCannotShareABus(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"ecu: small", "ecu: small", `the name "small" is taken by a.yaml`},
		{"ecu: small", "ecu: other", "identifier 7E0 is taken by unit small"},
		{"ecu: small\n", "ecu: other\nnetwork: {node: Small}\n", `b.yaml:2:17: network.node: the node "Small" is taken by unit small: both would send its messages`},
		{"ecu: small\naddresses: {request: 0x7E0", "ecu: other\naddresses: {request: 0x7E1", "identifier 7E8 is taken"},
	} {
		dir := fstest.MapFS{"a.yaml": {Data: []byte(strings.Replace(ecutest.Small, "ecu: small\n", "ecu: small\nnetwork: {node: Small}\n", 1))}, "b.yaml": {Data: []byte(strings.Replace(ecutest.Small, c.old, c.new, 1))}}
		_, err := loadAll(dir, []string{"a.yaml", "b.yaml"})
		assert.ErrorContains(t, err, c.want)
		assert.ErrorContains(t, err, "b.yaml:")
	}
	_, err := loadAll(fstest.MapFS{}, []string{"missing.yaml"})
	assert.ErrorContains(t, err, "missing.yaml")
}

func TestTheUnitsOfTheCarShareABus(t *testing.T) {
	specs, err := loadAll(os.DirFS(ecutest.CarFolder), []string{"ecu-engine.yaml", "ecu-brake.yaml", "ecu-body.yaml"})
	require.NoError(t, err)
	require.Len(t, specs, 3)
}

// A reading that the unit's program does not have is found when the server is
// made, with its place in the file.
func TestAReadingThatIsNotThere(t *testing.T) {
	s, err := load("small.yaml", []byte(ecutest.Small))
	require.NoError(t, err)
	table := &signal.Table{}
	table.Define("key", "", "")
	_, err = server.New(s, server.Parts{Readings: table, Memory: dtc.New(s), NV: nv.New(s, nil), Rand: chance.Seed(1).For("x")})
	require.ErrorContains(t, err, `small.yaml:18:50: obd.pids[0].fields[0].signal: "rpm" is no reading of the unit`)
}

func FuzzLoadSpec(f *testing.F) {
	f.Add([]byte(ecutest.Small))
	f.Add([]byte("ecu: x\nsessions: [{id: 1, p2: 5x}]"))
	f.Add([]byte("&a [*a]"))
	for _, name := range []string{"ecu-engine.yaml", "ecu-brake.yaml", "ecu-body.yaml"} {
		b, err := os.ReadFile(filepath.Join(ecutest.CarFolder, name))
		require.NoError(f, err)
		f.Add(b[:min(len(b), 6000)])
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := load("fuzz.yaml", data)
		if err != nil {
			require.NotContains(t, err.Error(), "\n")
			require.Contains(t, err.Error(), "fuzz.yaml")
			return
		}
		// What loads must also bind and answer, given its readings.
		table := &signal.Table{}
		x, err := server.New(s, server.Parts{Readings: table, Memory: dtc.New(s), NV: nv.New(s, nil), Rand: chance.Seed(1).For("x")})
		if err != nil {
			return
		}
		x.Power(0, true)
		for _, req := range [][]byte{{1, 0}, {9, 0}, {0x10, 1}, {0x22, 0xF1, 0x90}, {0x19, 2, 0xFF}, {0x31, 3, 2, 0x10},
			{6, 0x21}, {8, 1, 0, 0, 0, 0, 0}, {0x10, 3}, {0x23, 0x14, 0, 0, 0, 0, 4}, {0x24, 0xF1, 0x90}, {0x2A, 1, 1}, {0x2C, 1, 0xF3, 1, 0xF1, 0x90, 1, 1},
			{0x2F, 4, 0, 3, 1}, {0x34, 0, 0x44, 0, 0, 0x10, 0, 0, 0, 1, 0}, {0x36, 1, 0}, {0x37}, {0x19, 0x42, 0x33, 8, 0xFF}} {
			x.Request(1e12, false, bytes.Clone(req))
		}
		x.Tick(2e12)
	})
}

// Infotype 0A of SAE J1979: four characters padded with zeros, a dash, a name.
func TestIdentityOfTheCar(t *testing.T) {
	spec, err := car.BuiltIn("petrel-48")
	require.NoError(t, err)
	engine := ecutest.Load(t, "ecu-engine.yaml", server.Vocabulary())
	id := engine.IdentityOf(&spec.Identity)
	assert.Equal(t, "ECM\x00-EngineControl", id["ecu_name"])
	assert.Len(t, id["vin"], 17)
	assert.Len(t, id["cvn_2"], 8)
	assert.LessOrEqual(t, len(id["calibration_id_1"]), 16)
	nobody := *engine
	nobody.Name = "no such unit"
	assert.Equal(t, map[string]string{"vin": id["vin"]}, nobody.IdentityOf(&spec.Identity))
	stored := nv.New(engine, id)
	vin, ok := stored.Text("vin")
	assert.True(t, ok)
	assert.Equal(t, spec.Identity.VIN, vin)
	stored.Set("clutch_pressed_v", 3.9)
	assert.Contains(t, stored.Names(), "clutch_pressed_v")
	stored.Erase("clutch_pressed_v")
	_, ok = stored.Get("clutch_pressed_v")
	assert.False(t, ok)
}

// Every test that lights the lamp is part of one of the readiness groups of SAE J1979
// PID 01: whatever has no group of its own is a comprehensive component (13 CCR 1968.2
// (e)(15), from memory). A lost value of the memory is no test, and P0700 (SAE J2012)
// hands on what another unit has found. The row P0130 to P0167 is that of the oxygen
// sensors, P0440 to P0459 and P0496 that of the tank (SAE J2012), whose circuits may be
// components.
func TestEveryTestThatLightsTheLampHasItsReadinessMonitor(t *testing.T) {
	for _, name := range car.Names() {
		spec, err := car.BuiltIn(name)
		require.NoError(t, err)
		units, err := unitsOf(spec)
		require.NoError(t, err)
		seen := 0
		for _, u := range units {
			for _, c := range u.Codes {
				if !c.MIL || !c.Emission || c.Kind == "condition" || c.Code == "P0700" {
					continue
				}
				seen++
				where := fmt.Sprintf("%s, %s, %s", name, u.Name, c.Code)
				assert.Contains(t, u.Memory.Readiness, c.Monitor, where)
				switch {
				case c.Code >= "P0130" && c.Code <= "P0167":
					assert.Contains(t, []string{"oxygen", "oxygen_heater"}, c.Monitor, where)
				case c.Code >= "P0440" && c.Code <= "P0459", c.Code == "P0496":
					assert.Contains(t, []string{"evap", "components"}, c.Monitor, where)
				case c.Code >= "P0300" && c.Code <= "P0312":
					assert.Equal(t, "misfire", c.Monitor, where)
				case c.Code >= "P0171" && c.Code <= "P0175":
					assert.Equal(t, "fuel", c.Monitor, where)
				case c.Code == "P0420", c.Code == "P0430":
					assert.Equal(t, "catalyst", c.Monitor, where)
				}
			}
		}
		assert.Greater(t, seen, 50, name)
	}
}
