package car

import (
	"fmt"
	"io/fs"
	"maps"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car/strict"
	"sawhorse/bench/chance"
)

// changed is the Petrel's folder with one file changed.
func changed(t testing.TB, file, old, new string) fstest.MapFS {
	t.Helper()
	return changedOf(t, "petrel48", file, old, new)
}

// changedOf is a car's folder with one file changed, as the folder x.
func changedOf(t testing.TB, folder, file, old, new string) fstest.MapFS {
	t.Helper()
	out := fstest.MapFS{}
	all, err := fs.Glob(files, folder+"/*")
	require.NoError(t, err)
	for _, n := range all {
		data, err := fs.ReadFile(files, n)
		n = path.Base(n)
		require.NoError(t, err)
		if n == file {
			require.Contains(t, string(data), old)
			data = []byte(strings.Replace(string(data), old, new, 1))
		}
		out["x/"+n] = &fstest.MapFile{Data: data}
	}
	return out
}

func TestBuiltInCars(t *testing.T) {
	for _, n := range Names() {
		s, err := BuiltIn(n)
		require.NoError(t, err)
		assert.Equal(t, n, s.Name)
		require.Len(t, s.Identity.ECUs, len(s.ECUFiles))
		files := append(s.ECUFiles, s.Calibration)
		if s.Automatic() {
			files = append(files, s.ShiftPoints)
		}
		for _, f := range files {
			_, err := fs.Stat(s.Dir, f)
			assert.NoError(t, err, "the car names the file")
		}
		for _, l := range loadNames {
			assert.Equal(t, drives(s, l), strings.Contains(string(must(t, s, "circuits.yaml")), "drives: "+l+"\n"), "%s: %s", n, l)
		}
	}
	_, err := BuiltIn("kestrel")
	assert.EqualError(t, err, `car "kestrel" is not known, want one of [auklet-18 petrel-48]`)
}

// drives says whether a car of this engine and gearbox has a load.
func drives(s *Spec, load string) bool {
	for _, of := range []string{"injector_", "coil_"} {
		if n, ok := strings.CutPrefix(load, of); ok {
			k, err := strconv.Atoi(n)
			return err == nil && k <= s.Engine.Cylinders
		}
	}
	switch load {
	case "shift_a", "shift_b", "lockup", "line_pressure":
		return s.Automatic()
	case "heater_b2s1", "heater_b2s2":
		return s.Engine.Banks != 1
	case "vent":
		return s.Engine.Banks != 1 // the Auklet's canister is open to the outside
	}
	return true
}

func must(t *testing.T, s *Spec, name string) []byte {
	data, err := fs.ReadFile(s.Dir, name)
	require.NoError(t, err)
	return data
}

// Worked check digits: 1M8GDM9AXKP042788 is the example of 49 CFR 565.15(c);
// 17 ones are valid by the sum of the weights, 89 = 8 x 11 + 1.
func TestVIN(t *testing.T) {
	assert.NoError(t, checkVIN("1M8GDM9AXKP042788"))
	assert.NoError(t, checkVIN("11111111111111111"))
	s, err := BuiltIn("petrel-48")
	require.NoError(t, err)
	assert.NoError(t, checkVIN(s.Identity.VIN))
	assert.EqualValues(t, '0', s.Identity.VIN[0], "a region code that belongs to no region (ISO 3780)")
	assert.ErrorContains(t, checkVIN("1M8GDM9A1KP042788"), `check digit '1' in "1M8GDM9A1KP042788", want 'X'`)
	assert.ErrorContains(t, checkVIN("1M8GDM9AXKP04278"), "16 characters, want 17")
	assert.ErrorContains(t, checkVIN("1M8GDM9AXKPO42788"), "without I, O, Q")
}

func TestABadFolderIsNamedByPlace(t *testing.T) {
	for _, c := range []struct{ file, old, new, want string }{
		{"car.yaml", "displacement_l: 4.8", "displacement_l: 48", "engine.displacement_l: 48, want 0.5..10 l"},
		{"car.yaml", "displacement_l:", "displacement:", `unknown field "displacement"`},
		{"car.yaml", "compression: 10", "compression: ten", `compression is "ten", want a finite number`},
		{"car.yaml", "vin: 0PT", "vin: 1PT", "check digit '0'"},
		{"car.yaml", "car: petrel-48", "car: ''", "missing, want the car's name"},
		{"car.yaml", "[40, 0.35], [120, 0.7]", "[120, 0.7], [40, 0.35]", "engine.low_speed: point 2 has x 40, want x rising"},
		{"car.yaml", "ratios: [2.97,", "ratios: [29.7,", "driveline.ratios[0]: 29.7, want 0.3..8"},
		{"car.yaml", "full_c: 99", "full_c: 60", "cooling.full_c: 60, want 89..130 degC"},
		{"car.yaml", "title: ECM-EngineControl", "title: ECM-EngineControl-longer", "want 1 to 20"},
		{"car.yaml", "buses:\n  - {bus: main, bit_rate: 500000, network: petrel-48.dbc}", "buses: []", "missing, want at least one bus"},
		{"car.yaml", "ecu_files: [ecu-engine.yaml,", "ecu_files: [ecu-motor.yaml,", `ecu_files[0]: "ecu-motor.yaml"`},
		{"car.yaml", "    - name: brake\n", "    - name: brakes\n", `identity.ecus[1].name: "brakes", but ecu-brakes.yaml is not among the ecu_files`},
		{"car.yaml", "calibration: calibration.yaml", "calibration: numbers.yaml", `calibration: "numbers.yaml"`},
		{"car.yaml", "bit_rate: 500000", "bit_rate: 5000", "car.yaml:32:27: buses[0].bit_rate: 5000, want 10000..1000000 bit/s"},
		{"car.yaml", "bit_rate: 500000", "bit_rate: 500000, data_bit_rate: 9000000", "buses[0].data_bit_rate: 9000000, want 500000..8000000 bit/s"},
		{"car.yaml", "network: petrel-48.dbc", "network: petrel.dbc", "petrel.dbc: file does not exist"},
		{"petrel-48.dbc", "checksum:crc8-2f", "checksum:crc9", "petrel-48.dbc:"},
		{"petrel-48.dbc", "BO_ 144 EngineTorque: 8", "BO_ 144 EngineTorque: 12", "petrel-48.dbc:14:5: message EngineTorque is CAN FD, and the bus main is not"},
		{"circuits.yaml", "measures: battery_v", "measures: battery_volts", `"battery_volts" is no signal of the car`},
		{"circuits.yaml", "supply: battery", "supply: battrey", `"battrey" is no rail`},
		{"circuits.yaml", "drives: fan", "drives: fans", `"fans" (did you mean fan?), want one of starter_relay`},
		{"circuits.yaml", "drives: fan", "drives: mil", "driven by another circuit"},
		{"circuits.yaml", "circuit: cam-sensor", "circuit: crank-sensor", "is there already"},
		{"circuits.yaml", "{hot_wire: {a: 1, b: 1.2175}}", "{}", "0 elements, want exactly 1"},
		{"circuits.yaml", "{hot_wire: {a: 1, b: 1.2175}}", "{hot_wire: {a: 1, b: 1}, source: {ohm: 1}}", "2 elements, want exactly 1"},
		{"circuits.yaml", "input: {pull_v: 5, pull_ohm: 4700}", "", "missing, want pull_v and pull_ohm"},
		{"circuits.yaml", "from: key, volts: 5", "from: door, volts: 5", `"door", want battery, key or a rail above`},
	} {
		_, err := Load(changed(t, c.file, c.old, c.new), "x")
		require.Error(t, err, c.new)
		assert.Contains(t, err.Error(), c.want)
		assert.Regexp(t, `^x/`+c.file+`:\d+:\d+: `, err.Error())
	}
	_, err := Load(fstest.MapFS{}, "x")
	assert.ErrorContains(t, err, "x/car.yaml: ")
}

func TestABadAutomaticGearboxIsNamedByPlace(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"overrun_share: 0.6", "overrun_share: 6", "driveline.automatic.overrun_share: 6, want 0..1"},
		{"lockup_s: 0.5", "lock_up_s: 0.5", `unknown field "lock_up_s"`},
		{"turbine_kg_m2: 0.03", "turbine_kg_m2: 0", "driveline.automatic.turbine_kg_m2: 0, want 0.005..1 kg m2"},
		{"capacity: [[0, 2850], [0.5, 2800]", "capacity: [[0.5, 2850], [0, 2800]", "driveline.automatic.capacity: point 2 has x 0, want x rising"},
		{"torque_ratio: [[0, 2.0]", "torque_ratio: [[0, 0.2]", "driveline.automatic.torque_ratio"},
		{"[true, true], [false, true], [false, false], [true, false]", "[true, true], [false, true], [false, false]", "3 pairs, want one for each of the 4 gears"},
		{"[true, true], [false, true], [false, false], [true, false]", "[true, true], [false, true], [false, false], [false, true]", "solenoids[3]: the valves of another gear"},
		{"  efficiency: 0.94", "  efficiency: 0.94\n  clutch_nm: 300", "driveline.automatic: a clutch as well, want either clutch_nm and bite or automatic"},
		{"shift_points: shift-points.yaml\n", "", "shift_points: missing, want the file of the gearbox ECU's numbers"},
		{"banks: 1", "banks: 3", "engine.banks: 3, want 0..2"},
		{"firing_order: [1, 3, 4, 2]", "firing_order: [1, 3, 3, 2]", "engine.firing_order[2]: 3, want every cylinder from 1 to 4 once"},
	} {
		_, err := Load(changedOf(t, "auklet18", "car.yaml", c.old, c.new), "x")
		require.Error(t, err, c.new)
		assert.Contains(t, err.Error(), c.want)
		assert.Regexp(t, `^x/car.yaml:\d+:\d+: `, err.Error())
	}
	for _, c := range []struct{ old, new, want string }{
		{"- gateway: gateway\n", "- gateway: ''\n", "gateways[0].gateway: missing, want the name of the control unit"},
		{"    near: drive\n", "    near: body\n", `gateways[0].near: "body", want drive, the first bus`},
		{"    far: body\n", "    far: drive\n", `gateways[0].far: "drive", want another bus that no gateway joins yet`},
		{"    far: body\n", "    far: bodies\n", `"bodies", want another bus`},
		{"{message: RoadSpeed, to: body}", "{message: RoadSpeeds, to: body}", `gateways[0].routes[1].message: "RoadSpeeds" is no message of x/auklet-18-drive.dbc`},
		{"{message: RoadSpeed, to: body}", "{message: WheelSpeeds, to: body}", `gateways[0].routes[1]: "WheelSpeeds" is no message of x/auklet-18-body.dbc`},
		{"{message: RoadSpeed, to: body}", "{message: RoadSpeed, as: GearboxState, to: body}", "the signal Selector of GearboxState on body is not in RoadSpeed on drive"},
		{"{message: RoadSpeed, to: body}", "{message: RoadSpeed, to: roof}", `gateways[0].routes[1].to: "roof", want drive or body`},
		{"data_bit_rate: 2000000", "data_bit_rate: 20000000", "buses[1].data_bit_rate: 20000000, want 500000..8000000 bit/s"},
		{"data_bit_rate: 2000000, ", "", "is CAN FD, and the bus body is not"},
		{"gateways:\n  - gateway: gateway\n    near: drive\n    far: body\n    routes:\n", "x:\n", "unknown field"},
	} {
		_, err := Load(changedOf(t, "auklet18", "car.yaml", c.old, c.new), "x")
		require.Error(t, err, c.new)
		assert.Contains(t, err.Error(), c.want)
		assert.Regexp(t, `^x/(car.yaml|auklet-18-body.dbc):\d+:\d+: `, err.Error())
	}
	alone := changedOf(t, "auklet18", "auklet-18-body.dbc", "EngineSpeed : 0|16@1+ (0.25,0)", "EngineSpeed : 0|16@1+ (0.5,0)")
	_, err := Load(alone, "x")
	assert.ErrorContains(t, err, "gateways[0].routes[0]: the signal EngineSpeed has another length or scale on body than on drive")
	_, err = Load(changed(t, "car.yaml", "calibration: calibration.yaml", "calibration: calibration.yaml\nshift_points: x.yaml"), "x")
	assert.ErrorContains(t, err, `"x.yaml", want none without an automatic gearbox`)
}

func TestDrive(t *testing.T) {
	c := petrel(t)
	for _, x := range [][2]string{{"key", "start"}, {"clutch", "100"}, {"accelerator", "12.5"}, {"brake", "0"}, {"gear", "-1"},
		{"gear", "6"}, {"parking_brake", "false"}, {"door_open", "true"}, {"steering", "-120.5"}} {
		assert.NoError(t, c.Drive(x[0], x[1]))
	}
	assert.Equal(t, Driver{Key: KeyStart, Clutch: 1, Accelerator: 0.125, Gear: 6, DoorOpen: true, SteeringDeg: -120.5, KeyCode: c.spec.Identity.KeyCode}, c.Driver)
	for _, x := range [][3]string{
		{"key", "run", `key "run", want one of [off accessory on start]`},
		{"clutch", "101", `clutch "101", want 0..100`},
		{"clutch", "NaN", `clutch "NaN", want 0..100`},
		{"gear", "7", `gear "7", want -1 (reverse), 0 (neutral) or 1..6`},
		{"parking_brake", "yes", `parking_brake "yes", want true or false`},
		{"steering", "541", `steering "541", want -540..540 (degrees at the wheel, left positive)`},
		{"horn", "1", `control "horn", want one of [key clutch`},
	} {
		assert.ErrorContains(t, c.Drive(x[0], x[1]), x[2])
	}
}

// No part, and nothing that an ECU can drive, is empty, doubled or out of its own range.
func TestTablesAreWhole(t *testing.T) {
	seen := map[string]bool{}
	once := func(name string) {
		assert.NotEmpty(t, name)
		assert.False(t, seen[name], "%s is there twice", name)
		seen[name] = true
	}
	for _, p := range append(partInfos[:], cylinderInfos[:]...) {
		once(p.Name)
		assert.NotEmpty(t, p.Text, p.Name)
		assert.True(t, p.Min <= p.Sound && p.Sound <= p.Max, p.Name)
	}
	for _, l := range loadNames {
		once(l)
	}
	for k := range maxCylinders {
		assert.Equal(t, fmt.Sprintf("injector_%d", k+1), loadNames[loadInjector+k])
		assert.Equal(t, fmt.Sprintf("coil_%d", k+1), loadNames[loadCoil+k])
	}
}

// A step that is no multiple of the model's keeps its rest.
func TestStepsAddUp(t *testing.T) {
	a, b := petrel(t), petrel(t)
	for _, c := range []*Car{a, b} {
		c.Driver.Key, c.Driver.Accelerator = KeyOn, 1
	}
	for range 10 {
		a.Step(3 * time.Millisecond)
	}
	b.Step(30 * time.Millisecond)
	for r := range a.at.O2B2S2 + 1 {
		assert.Equal(t, math.Float64bits(b.Truth.Get(r)), math.Float64bits(a.Truth.Get(r)))
	}
}

// FuzzLoad cuts a piece out of one of the two files and puts another in its place.
func FuzzLoad(f *testing.F) {
	files := map[bool][]byte{}
	for isCar, n := range map[bool]string{true: "car.yaml", false: "circuits.yaml"} {
		data, err := fs.ReadFile(builtIn(), "petrel48/"+n)
		require.NoError(f, err)
		files[isCar] = data
	}
	whole := fstest.MapFS{}
	for n, f := range changed(f, "", "", "") {
		whole["petrel48/"+path.Base(n)] = f
	}
	f.Add(true, uint16(0), uint16(20000), []byte("car: x\n"))
	f.Add(false, uint16(0), uint16(20000), []byte("circuits: [{circuit: a, element: {load: {ohm: 1}}, drives: fan}]\n"))
	f.Add(true, uint16(1400), uint16(3), []byte("7.5"))
	f.Add(true, uint16(1400), uint16(900), []byte(""))
	f.Add(false, uint16(2000), uint16(7), []byte("supply: &a {"))
	// Whatever is accepted can be built and driven, and stays finite.
	f.Fuzz(func(t *testing.T, isCar bool, at, cut uint16, insert []byte) {
		text := files[isCar]
		from := min(int(at), len(text))
		to := min(from+int(cut), len(text))
		data := slices.Concat(text[:from], insert, text[to:])
		name := "circuits.yaml"
		if isCar {
			name = "car.yaml"
		}
		fsys := maps.Clone(whole)
		fsys["petrel48/"+name] = &fstest.MapFile{Data: data}
		// What has not changed is not parsed again.
		s, err := Load(strict.Packed(fsys, trees), "petrel48")
		if err != nil {
			assert.True(t, strings.HasPrefix(err.Error(), "petrel48/"+name+":"), "%v", err)
			return
		}
		c := New(s, chance.Seed(1))
		c.Driver = Driver{Key: KeyStart, Clutch: 1, Accelerator: 0.3, Gear: 1}
		c.Actuators = Actuators{StarterRelay: true, FuelPump: true, Spark: true, SparkDeg: 10, FuelMg: [2]float64{30, 30}, Throttle: true, ThrottlePct: 10}
		c.Step(time.Second)
		c.Driver.Clutch = 0
		c.Step(time.Second)
		for _, i := range c.Truth.Infos() {
			r, _ := c.Truth.Lookup(i.Name)
			v := c.Truth.Get(r)
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%s is %g", i.Name, v)
		}
	})
}

func BenchmarkLoad(b *testing.B) {
	for b.Loop() {
		if _, err := Load(builtIn(), "petrel48"); err != nil {
			b.Fatal(err)
		}
	}
}

// A car's list of signals has those of its own gearbox, banks and units only.
func TestACarListsTheSignalsThatItHas(t *testing.T) {
	of := func(name string) (list []string) {
		s, err := BuiltIn(name)
		require.NoError(t, err)
		for _, i := range s.Signals() {
			list = append(list, i.Name)
			assert.NotEmpty(t, i.Text)
		}
		return list
	}
	petrel, auklet := of("petrel-48"), of("auklet-18")
	for _, n := range []string{"clutch_pct", "clutch_slip_rpm", "o2_b2s1_v", "lambda_2"} {
		assert.Contains(t, petrel, n)
		assert.NotContains(t, auklet, n)
	}
	for _, n := range []string{"selector", "turbine_rpm", "lockup_pct", "fluid_c"} {
		assert.Contains(t, auklet, n)
		assert.NotContains(t, petrel, n)
	}
}
