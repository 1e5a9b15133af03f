package ecu

import (
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/chance"
	"sawhorse/bench/signal"
)

const carFolder = "../car/petrel48"

// engineReadings are the readings of the engine unit's program.
var engineReadings = strings.Fields(`engine_rpm vehicle_kmh coolant_c intake_air_c air_mass_gps map_kpa baro_kpa
	ambient_c oil_c throttle_pct throttle_commanded_pct throttle_relative_pct pedal_pct pedal_2_pct clutch_pct clutch_v
	battery_v load_pct load_absolute_pct spark_deg trim_short_1_pct trim_long_1_pct trim_short_2_pct trim_long_2_pct
	o2_b1s1_v o2_b1s2_v o2_b2s1_v o2_b2s2_v fuel_system_1 fuel_system_2 run_time_s lambda_commanded fuel_level_pct
	catalyst_1_c fuel_rate_lph purge_pct torque_pct key gear parking_brake brake_pedal engine_running cranking
	start_allowed clutch_learned crank_variation_learned mil security_lamp powered wheel_fl_kmh wheel_fr_kmh
	wheel_rl_kmh wheel_rr_kmh crank_variation_pct door_open immobiliser_ok rail_kpa tank_kpa tank_rise_kpa throttle_2_v throttle_v
	idle_air_pct fan fuel_pump vent_closed catalyst_swing_1_pct catalyst_swing_2_pct body_key_code key_code steering_deg
	steering_raw_deg`)

// plant is a car made of settable numbers, and a record of what was asked of it.
type plant struct {
	t        *signal.Table
	resets   []ResetKind
	receive  bool
	transmit bool
	steps    []string
	// outputs are the commands to hold an output or give it back.
	outputs []string
	boots   []bool
}

// newPlant is a car with the usual readings, and those that a spec uses besides.
func newPlant(spec *Spec) *plant {
	p := &plant{t: &signal.Table{}, receive: true, transmit: true}
	for _, name := range engineReadings {
		p.t.Define(name, "", "")
	}
	for _, name := range readingsOf(spec) {
		if _, ok := p.t.Lookup(name); !ok {
			p.t.Define(name, "", "")
		}
	}
	return p
}

func (p *plant) set(name string, v float64) {
	r, ok := p.t.Lookup(name)
	if !ok {
		panic("no reading " + name)
	}
	p.t.Set(r, v)
}

func (p *plant) Reset(kind ResetKind)               { p.resets = append(p.resets, kind) }
func (p *plant) Communicate(receive, transmit bool) { p.receive, p.transmit = receive, transmit }
func (p *plant) Routine(name, step string)          { p.steps = append(p.steps, name+":"+step) }

func (p *plant) Control(name string, value float64, active bool) {
	if active {
		p.outputs = append(p.outputs, fmt.Sprintf("%s at %g", name, value))
	} else {
		p.outputs = append(p.outputs, name+" returned")
	}
}

func (p *plant) Boot(on bool) { p.boots = append(p.boots, on) }

// keyOn is a car standing there with the key on and the engine off.
func (p *plant) keyOn() {
	p.set("powered", 1)
	p.set("key", 2)
	p.set("battery_v", 12.4)
	p.set("coolant_c", 83)
	p.set("ambient_c", 20)
	p.set("intake_air_c", 20)
	p.set("parking_brake", 1)
	p.set("clutch_v", 0.92)
}

// warmIdle is the car idling warm, in closed loop.
func (p *plant) warmIdle() {
	p.keyOn()
	for name, v := range map[string]float64{"engine_running": 1, "engine_rpm": 610, "coolant_c": 92, "battery_v": 14.1, "fuel_level_pct": 60,
		"fuel_system_1": 2, "fuel_system_2": 2, "run_time_s": 120, "load_pct": 20} {
		p.set(name, v)
	}
}

var carIdentity = map[string]string{
	"vin": "0PT48VM60R1000048", "ecu_name": "ECM\x00-EngineControl",
	"calibration_id_1": "PT48V8M6-ENG0107", "calibration_id_2": "PT48V8M6-DIA0103", "cvn_1": "5A17C0D4", "cvn_2": "1E93B26F",
}

// loaded keeps the units' specs, which nothing changes once they are read.
var loaded = map[string]*Spec{}

func loadUnit(t testing.TB, name string) *Spec {
	t.Helper()
	if s := loaded[name]; s != nil {
		return s
	}
	data, err := os.ReadFile(filepath.Join(carFolder, name))
	require.NoError(t, err)
	s, err := LoadSpec(name, data)
	require.NoError(t, err)
	loaded[name] = s
	return s
}

// rig is one server with its fake car, awake with the key on.
type rig struct {
	t      testing.TB
	now    time.Duration
	spec   *Spec
	plant  *plant
	mem    *Memory
	nv     *NV
	server *Server
}

func newRig(t testing.TB, spec *Spec) *rig {
	t.Helper()
	r := &rig{t: t, spec: spec, plant: newPlant(spec), mem: NewMemory(spec), nv: NewNV(spec, carIdentity)}
	r.plant.keyOn()
	s, err := NewServer(spec, Parts{Readings: r.plant.t, Memory: r.mem, NV: r.nv, Plant: r.plant, Rand: chance.Seed(1).For("ecu")})
	require.NoError(t, err)
	r.server = s
	s.Power(0, true)
	r.mem.BeginCycle()
	r.wait(time.Second)
	return r
}

// wait lets time pass in the bench's steps of 5 ms.
func (r *rig) wait(d time.Duration) {
	for end := r.now + d; r.now < end; {
		r.now = min(r.now+5*time.Millisecond, end)
		r.server.Tick(r.now)
		r.mem.enable(r.now)
	}
}

// answers collects all answers of a request within a time, as hex.
func (r *rig) answers(functional bool, req string, within time.Duration) []string {
	r.t.Helper()
	r.server.Request(r.now, functional, bytesOf(r.t, req))
	var got []string
	end := r.now + within
	for {
		for {
			a, ok := r.server.NextResponse()
			if !ok {
				break
			}
			got = append(got, spaced(a))
			r.server.Sent(r.now)
		}
		at, ok := r.server.Deadline()
		if !ok || at > end {
			return got
		}
		r.now = max(r.now, at)
		r.server.Tick(r.now)
	}
}

// ask is a physical request with at most one answer within P2; "" for none.
func (r *rig) ask(req string) string {
	r.t.Helper()
	return strings.Join(r.answers(false, req, 49*time.Millisecond), " | ")
}

// call is ask on the functional identifier.
func (r *rig) call(req string) string {
	r.t.Helper()
	return strings.Join(r.answers(true, req, 49*time.Millisecond), " | ")
}

func bytesOf(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	require.NoError(t, err)
	return b
}

func spaced(b []byte) string {
	s := strings.ToUpper(hex.EncodeToString(b))
	var out []string
	for i := 0; i < len(s); i += 2 {
		out = append(out, s[i:i+2])
	}
	return strings.Join(out, " ")
}
