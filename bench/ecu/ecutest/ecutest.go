// Package ecutest is a car made of settable numbers, for tests of control units that have
// no engine.
//
// Here lives what tests of several packages of control units share, and no check.
package ecutest

import (
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/ecu/spec"
	"sawhorse/bench/signal"
)

// CarFolder is the folder of a car, from a package of control units.
const CarFolder = "../../car/petrel48"

// engineReadings are the readings of the engine unit's program.
const engineReadings = `engine_rpm vehicle_kmh coolant_c intake_air_c air_mass_gps map_kpa baro_kpa
	ambient_c oil_c throttle_pct throttle_commanded_pct throttle_relative_pct pedal_pct pedal_2_pct clutch_pct clutch_v
	battery_v load_pct load_absolute_pct spark_deg trim_short_1_pct trim_long_1_pct trim_short_2_pct trim_long_2_pct
	o2_b1s1_v o2_b1s2_v o2_b2s1_v o2_b2s2_v fuel_system_1 fuel_system_2 run_time_s lambda_commanded fuel_level_pct
	catalyst_1_c fuel_rate_lph purge_pct torque_pct key gear parking_brake brake_pedal engine_running cranking
	start_allowed clutch_learned crank_variation_learned mil security_lamp powered wheel_fl_kmh wheel_fr_kmh
	wheel_rl_kmh wheel_rr_kmh crank_variation_pct door_open immobiliser_ok rail_kpa tank_kpa tank_rise_kpa throttle_2_v throttle_v
	idle_air_pct fan fuel_pump vent_closed catalyst_swing_1_pct catalyst_swing_2_pct body_key_code key_code steering_deg
	steering_raw_deg`

// Car is a car made of settable numbers, and a record of what was asked of it. It is an
// application but for Reset, whose argument is the server's.
type Car struct {
	Table    *signal.Table
	Receive  bool
	Transmit bool
	Steps    []string
	// Outputs are the commands to hold an output or give it back.
	Outputs []string
	Boots   []bool
}

// NewCar is a car with the usual readings, and those that a unit uses besides.
func NewCar(u *spec.Unit) *Car {
	c := &Car{Table: &signal.Table{}, Receive: true, Transmit: true}
	for _, name := range append(strings.Fields(engineReadings), ReadingsOf(u)...) {
		if _, ok := c.Table.Lookup(name); !ok {
			c.Table.Define(name, "", "")
		}
	}
	return c
}

// Set sets a reading.
func (c *Car) Set(name string, v float64) {
	r, ok := c.Table.Lookup(name)
	if !ok {
		panic("no reading " + name)
	}
	c.Table.Set(r, v)
}

// Communicate, Routine, Control and Boot are those of an application.
func (c *Car) Communicate(receive, transmit bool) { c.Receive, c.Transmit = receive, transmit }

// Routine notes a step.
func (c *Car) Routine(name, step string) { c.Steps = append(c.Steps, name+":"+step) }

// Control notes a command.
func (c *Car) Control(name string, value float64, active bool) {
	if active {
		c.Outputs = append(c.Outputs, fmt.Sprintf("%s at %g", name, value))
	} else {
		c.Outputs = append(c.Outputs, name+" returned")
	}
}

// Boot notes that the boot program began or ended.
func (c *Car) Boot(on bool) { c.Boots = append(c.Boots, on) }

// KeyOn is a car standing there with the key on and the engine off.
func (c *Car) KeyOn() {
	c.Set("powered", 1)
	c.Set("key", 2)
	c.Set("battery_v", 12.4)
	c.Set("coolant_c", 83)
	c.Set("ambient_c", 20)
	c.Set("intake_air_c", 20)
	c.Set("parking_brake", 1)
	c.Set("clutch_v", 0.92)
}

// WarmIdle is the car idling warm, in closed loop.
func (c *Car) WarmIdle() {
	c.KeyOn()
	for name, v := range map[string]float64{"engine_running": 1, "engine_rpm": 610, "coolant_c": 92, "battery_v": 14.1, "fuel_level_pct": 60,
		"fuel_system_1": 2, "fuel_system_2": 2, "run_time_s": 120, "load_pct": 20} {
		c.Set(name, v)
	}
}

// Identity is that of an invented engine unit.
func Identity() map[string]string {
	return map[string]string{
		"vin": "0PT48VM60R1000048", "ecu_name": "ECM\x00-EngineControl",
		"calibration_id_1": "PT48V8M6-ENG0107", "calibration_id_2": "PT48V8M6-DIA0103", "cvn_1": "5A17C0D4", "cvn_2": "1E93B26F",
	}
}

// loaded keeps the units' descriptions, which nothing changes once they are read.
var loaded = map[string]*spec.Unit{}

// Load reads a unit of the car.
func Load(t testing.TB, name string, v *spec.Vocabulary) *spec.Unit {
	t.Helper()
	if u := loaded[name]; u != nil {
		return u
	}
	data, err := os.ReadFile(filepath.Join(CarFolder, name))
	require.NoError(t, err)
	u, err := spec.Load(name, data, v)
	require.NoError(t, err)
	loaded[name] = u
	return u
}

// Bytes reads hex digits.
func Bytes(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	require.NoError(t, err)
	return b
}

// Spaced writes bytes as hex digits in pairs.
func Spaced(b []byte) string { return fmt.Sprintf("% X", b) }

// ReadingsOf finds the names of all readings that a unit uses, by the keys that
// name one.
func ReadingsOf(u *spec.Unit) []string {
	var names []string
	var walk func(v reflect.Value)
	walk = func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Pointer:
			if !v.IsNil() {
				walk(v.Elem())
			}
		case reflect.Slice:
			for i := range v.Len() {
				walk(v.Index(i))
			}
		case reflect.Struct:
			for i := range v.NumField() {
				f := v.Type().Field(i)
				if f.PkgPath != "" {
					continue
				}
				key, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
				reading := slices.Contains([]string{"signal", "and", "from", "rpm", "load", "coolant", "speed", "ambient", "baro"}, key)
				if f.Type.Kind() == reflect.String && reading && v.Field(i).String() != "" {
					names = append(names, v.Field(i).String())
				}
				walk(v.Field(i))
			}
		}
	}
	walk(reflect.ValueOf(u).Elem())
	slices.Sort(names)
	return slices.Compact(names)
}
