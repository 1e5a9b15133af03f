package car

import (
	"io/fs"
	"strings"

	"sawhorse/bench/car/exact"
	"sawhorse/bench/car/strict"
	"sawhorse/bench/format"
	"sawhorse/dbc"
)

// Spec is a car as its folder of data files describes it. It is read once and
// never changed, so that many cars can share it.
type Spec struct {
	// Format is the version of the folder's files; 0 for none, which means 1.
	Format int `yaml:"format"`
	// Name is the folder's name, such as petrel48.
	Name     string   `yaml:"car"`
	Title    string   `yaml:"title"`
	Text     string   `yaml:"text"`
	Identity Identity `yaml:"identity"`

	Engine     EngineSpec     `yaml:"engine"`
	Supply     SupplySpec     `yaml:"supply"`
	Cooling    CoolingSpec    `yaml:"cooling"`
	Driveline  DrivelineSpec  `yaml:"driveline"`
	Conditions ConditionsSpec `yaml:"conditions"`

	// Buses are the car's networks. A unit's file says which of them it sits on.
	Buses []BusSpec `yaml:"buses"`
	// Gateways join the first bus, which has the diagnostic connector, with another.
	Gateways []GatewaySpec `yaml:"gateways"`
	// ECUFiles are the files in Dir that describe one ECU each.
	ECUFiles []string `yaml:"ecu_files"`
	// Calibration is the file in Dir with the engine ECU's numbers, ShiftPoints
	// that of an automatic gearbox's ECU.
	Calibration string `yaml:"calibration"`
	ShiftPoints string `yaml:"shift_points"`

	// Dir holds the raw files; Shown is the folder's name in errors.
	Dir   fs.FS  `yaml:"-"`
	Shown string `yaml:"-"`
	// Folder is where a car of Use lies; "" for a built-in one.
	Folder string `yaml:"-"`

	doc     *strict.Doc // of car.yaml
	circuit *strict.Doc // of circuits.yaml
	wiring  wiringSpec
	derived derived
}

// FileFormat is what car.yaml is a version of.
func (s *Spec) FileFormat() format.Kind { return format.Car }

// BusSpec is one CAN network of a car.
type BusSpec struct {
	Name string `yaml:"bus"`
	// BitRate and DataBitRate are in bit/s; DataBitRate is 0 for classical CAN.
	BitRate     int `yaml:"bit_rate"`
	DataBitRate int `yaml:"data_bit_rate"`
	// File is the .dbc file in Dir with the messages of the network, "" for a network
	// without periodic messages.
	File string `yaml:"network"`

	network *dbc.Network
}

// GatewaySpec is a unit that joins two buses.
type GatewaySpec struct {
	// Unit is the name of the control unit; it sits on the bus Near.
	Unit string `yaml:"gateway"`
	Near string `yaml:"near"`
	Far  string `yaml:"far"`
	// Routes are the messages that it passes on.
	Routes []RouteSpec `yaml:"routes"`
}

// RouteSpec is a message that goes on to the bus To, there by the name As, or its own.
type RouteSpec struct {
	Message string `yaml:"message"`
	To      string `yaml:"to"`
	As      string `yaml:"as"`
}

// Target is the message's name on the bus it goes to.
func (r *RouteSpec) Target() string {
	if r.As != "" {
		return r.As
	}
	return r.Message
}

// Network is what the bus's file says; nil without a file.
func (b *BusSpec) Network() *dbc.Network { return b.network }

// NoCircuits is the error about circuits that a unit needs and the car lacks.
func (s *Spec) NoCircuits(names []string, unit string) error {
	return s.circuit.Errorf("$.circuits", "none named %s, want what the program of the unit %s reads or drives", strings.Join(names, ", "), unit)
}

// Bus finds one of the car's buses by name.
func (s *Spec) Bus(name string) (*BusSpec, bool) {
	for i := range s.Buses {
		if s.Buses[i].Name == name {
			return &s.Buses[i], true
		}
	}
	return nil, false
}

// Identity is what a car says of itself.
type Identity struct {
	// VIN has 17 characters and a valid check digit (ISO 3779, 49 CFR 565.15).
	VIN string `yaml:"vin"`
	// KeyCode is the number in the transponder of the car's own key.
	KeyCode uint32 `yaml:"key_code"`
	ECUs    []struct {
		// Name is that of the ECU's file without "ecu-" and ".yaml".
		Name string `yaml:"name"`
		// Title is the ECU name that services report, at most 20 characters.
		Title string `yaml:"title"`
		// Calibrations are identifications of at most 16 characters, each with
		// its verification number.
		Calibrations []struct {
			ID  string `yaml:"id"`
			CVN uint32 `yaml:"cvn"`
		} `yaml:"calibrations"`
	} `yaml:"ecus"`
}

// EngineSpec holds the numbers of the mean-value engine; formulas in engine.go.
type EngineSpec struct {
	Cylinders        int         `yaml:"cylinders"`
	DisplacementL    float64     `yaml:"displacement_l"`
	Compression      float64     `yaml:"compression"`
	ManifoldL        float64     `yaml:"manifold_l"`
	InertiaKgM2      float64     `yaml:"inertia_kg_m2"`
	ThrottleMM       float64     `yaml:"throttle_mm"`
	ThrottleClosed   float64     `yaml:"throttle_closed_deg"`
	ThrottleFlow     float64     `yaml:"throttle_flow"`
	ThrottleRestPct  float64     `yaml:"throttle_rest_pct"`
	LeakMM2          float64     `yaml:"leak_mm2"`
	Volumetric       exact.Curve `yaml:"volumetric"`         // rev/min -> factor on the ideal efficiency
	Indicated        exact.Curve `yaml:"indicated"`          // kPa in the manifold -> efficiency at best spark
	LowSpeed         exact.Curve `yaml:"low_speed"`          // rev/min -> factor on efficiency
	Mixture          exact.Curve `yaml:"mixture"`            // lambda -> torque against stoichiometric
	BestSpark        exact.Curve `yaml:"best_spark"`         // rev/min -> deg
	SparkLoss        float64     `yaml:"spark_loss_deg2"`    // torque lost per squared degree off best
	FrictionBar      [3]float64  `yaml:"friction_bar"`       // fmep = a + b n + c n^2, n in 1000/min
	ColdFriction     float64     `yaml:"cold_friction"`      // k in 1 + k (90 - oil)/90
	CompressionNM    exact.Curve `yaml:"compression_nm"`     // rev/min -> losses of compression at low speed
	RoughnessPct     float64     `yaml:"roughness_pct"`      // torque variation from firing to firing
	WheelErrorPct    float64     `yaml:"wheel_error_pct"`    // run-out of the crank wheel
	FilmShare        float64     `yaml:"film_share"`         // injected share that wets the wall
	FilmS            float64     `yaml:"film_s"`             // its time constant
	RailKPa          float64     `yaml:"rail_kpa"`           // fuel pressure
	TankL            float64     `yaml:"tank_l"`             // fuel tank
	StoichRatio      float64     `yaml:"stoichiometric"`     // kg air per kg fuel
	FuelMJPerKg      float64     `yaml:"fuel_mj_per_kg"`     // lower heating value
	FuelKgPerL       float64     `yaml:"fuel_kg_per_l"`      // density
	CatalystLagS     float64     `yaml:"catalyst_lag_s"`     // warming of the catalyst
	ExhaustC         exact.Curve `yaml:"exhaust_c"`          // air g/s -> exhaust temperature
	LambdaHeaterS    float64     `yaml:"lambda_heater_s"`    // time constant of the sensor heater
	CatalystStorageS float64     `yaml:"catalyst_storage_s"` // oxygen storage, as a lag at idle

	// FiringOrder is 1, 2, 3 ... if it is not given. Odd cylinders are bank 1,
	// even ones bank 2, unless there is one bank only.
	FiringOrder []int `yaml:"firing_order"`
	Banks       int   `yaml:"banks"`

	// BankFuelPct is how far the injectors of each bank are off those drawn.
	BankFuelPct [2]float64 `yaml:"bank_fuel_pct"`

	FilterDrop   float64  `yaml:"filter_kpa_per_gps2"`      // air filter's loss
	ExhaustDrop  float64  `yaml:"exhaust_kpa_per_gps2"`     // exhaust's back pressure
	PumpKPa      float64  `yaml:"pump_kpa"`                 // fuel pump against a closed line, at 13.5 V
	PumpGPS      float64  `yaml:"pump_gps"`                 // fuel pump without back pressure
	FuelLineDrop float64  `yaml:"fuel_filter_kpa_per_gps2"` // fuel filter's loss
	Evap         EvapSpec `yaml:"evap"`
}

// EvapSpec holds tank, canister and their valves.
type EvapSpec struct {
	PurgeMM2   float64 `yaml:"purge_mm2"`    // effective area of the purge valve
	VentMM2    float64 `yaml:"vent_mm2"`     // effective area of the vent
	SpaceL     float64 `yaml:"space_l"`      // of tank and canister beyond the fuel's
	BoilKPaPMn float64 `yaml:"boil_kpa_min"` // pressure that warm fuel builds up
}

// SupplySpec holds battery, alternator, starter and consumers.
type SupplySpec struct {
	RestV         exact.Curve `yaml:"rest_v"` // state of charge % -> V
	BatteryOhm    float64     `yaml:"battery_ohm"`
	ChargeOhm     float64     `yaml:"charge_ohm"`
	CapacityAh    float64     `yaml:"capacity_ah"`
	RegulatedV    float64     `yaml:"regulated_v"`
	RegulatorVPK  float64     `yaml:"regulator_v_per_k"`
	AlternatorA   exact.Curve `yaml:"alternator_a"` // engine rev/min -> most current
	AlternatorEff float64     `yaml:"alternator_efficiency"`
	StarterNMPerA float64     `yaml:"starter_nm_per_a"`
	StarterEff    float64     `yaml:"starter_efficiency"`
	StarterOhm    float64     `yaml:"starter_ohm"`
	BrushV        float64     `yaml:"brush_v"`
	RelayPullInV  float64     `yaml:"relay_pull_in_v"`
	RestA         float64     `yaml:"rest_a"`
	KeyOnA        float64     `yaml:"key_on_a"`
	RunningA      float64     `yaml:"running_a"`
	PumpA         float64     `yaml:"pump_a"`
	FanA          float64     `yaml:"fan_a"`
}

// CoolingSpec holds coolant, thermostat, radiator and oil.
type CoolingSpec struct {
	HeatKJPerK   float64 `yaml:"heat_kj_per_k"`
	FuelShare    float64 `yaml:"fuel_share"`
	OpensC       float64 `yaml:"opens_c"`
	FullC        float64 `yaml:"full_c"`
	LossWPerK    float64 `yaml:"loss_w_per_k"`
	StillWPerK   float64 `yaml:"still_w_per_k"` // radiator, standing, no fan
	FanWPerK     float64 `yaml:"fan_w_per_k"`   // more with the fan
	WindWPerK    float64 `yaml:"wind_w_per_k"`  // more at 100 km/h
	OilLagS      float64 `yaml:"oil_lag_s"`
	IntakeSoakPc float64 `yaml:"intake_soak_pct"` // of coolant over ambient, standing air
}

// DrivelineSpec holds clutch, gearbox, wheels and brakes.
type DrivelineSpec struct {
	// ClutchNM and Bite are those of a manual gearbox; Automatic is nil with one.
	ClutchNM       float64        `yaml:"clutch_nm"`
	Bite           exact.Curve    `yaml:"bite"` // pedal % -> share of the clutch's torque
	Automatic      *AutomaticSpec `yaml:"automatic"`
	Ratios         []float64      `yaml:"ratios"`
	Reverse        float64        `yaml:"reverse"`
	Final          float64        `yaml:"final"`
	Efficiency     float64        `yaml:"efficiency"`
	WheelM         float64        `yaml:"wheel_radius_m"`
	MassKg         float64        `yaml:"mass_kg"`
	Rolling        float64        `yaml:"rolling"`
	DragM2         float64        `yaml:"drag_m2"`
	BrakeN         float64        `yaml:"brake_n"`
	ParkingBrakeN  float64        `yaml:"parking_brake_n"`
	PedalPctPerSec float64        `yaml:"pedal_pct_per_s"`
	// SteeringOffsetDeg is what the steering angle sensor shows straight ahead: how
	// it was fitted.
	SteeringOffsetDeg float64 `yaml:"steering_offset_deg"`
}

// ConditionsSpec is how the car stands there when a run begins.
type ConditionsSpec struct {
	AmbientC  float64 `yaml:"ambient_c"`
	CoolantC  float64 `yaml:"coolant_c"`
	BaroKPa   float64 `yaml:"baro_kpa"`
	ChargePct float64 `yaml:"charge_pct"`
	FuelPct   float64 `yaml:"fuel_pct"`
}

// wiringSpec is the shape of circuits.yaml.
type wiringSpec struct {
	Rails    []railSpec    `yaml:"rails"`
	Circuits []circuitSpec `yaml:"circuits"`
	// Signals are those that the model has not.
	Signals []OwnSignal `yaml:"signals"`
}

type railSpec struct {
	Name  string  `yaml:"rail"`
	Text  string  `yaml:"text"`
	From  string  `yaml:"from"`   // battery, key, a rail above, "" for a ground
	Volts float64 `yaml:"volts"`  // regulated voltage; 0 passes its source on
	FuseA float64 `yaml:"fuse_a"` // rating of a fuse, 0 for any other
}

type circuitSpec struct {
	Name      string      `yaml:"circuit"`
	Text      string      `yaml:"text"`
	Measures  string      `yaml:"measures"`
	Drives    string      `yaml:"drives"`
	Connector string      `yaml:"connector"`
	Supply    string      `yaml:"supply"`
	Ground    string      `yaml:"ground"`
	Contact   string      `yaml:"contact"` // rail that a relay's contact passes on
	Element   elementSpec `yaml:"element"`
	Input     *inputSpec  `yaml:"input"`
}

// elementSpec has exactly one part.
type elementSpec struct {
	NTC     *ntcSpec     `yaml:"ntc"`
	Ratio   *ratioSpec   `yaml:"ratio"`
	HotWire *hotWireSpec `yaml:"hot_wire"`
	Pulses  *pulseSpec   `yaml:"pulses"`
	Source  *sourceSpec  `yaml:"source"`
	Switch  *switchSpec  `yaml:"switch"`
	Load    *loadSpec    `yaml:"load"`
}

type ntcSpec struct {
	Ohm float64 `yaml:"ohm"`
	AtC float64 `yaml:"at_c"`
	BK  float64 `yaml:"b_k"`
}

type ratioSpec struct {
	From  float64    `yaml:"from"` // the signal's range
	To    float64    `yaml:"to"`
	Volts [2]float64 `yaml:"volts"` // at From and To with a supply of 5 V
	Ohm   float64    `yaml:"ohm"`
}

type hotWireSpec struct {
	A float64 `yaml:"a"` // V^2
	B float64 `yaml:"b"` // V^2 per root of g/s
}

type pulseSpec struct {
	PerUnit float64 `yaml:"per_unit"` // Hz
}

type sourceSpec struct {
	Ohm float64 `yaml:"ohm"`
}

type switchSpec struct {
	ClosedWhen bool `yaml:"closed_when"`
}

type loadSpec struct {
	Ohm float64 `yaml:"ohm"`
}

// inputSpec is the resistor in the ECU that holds the pin when nothing drives it.
type inputSpec struct {
	PullV   float64 `yaml:"pull_v"`
	PullOhm float64 `yaml:"pull_ohm"`
}
