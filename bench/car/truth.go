package car

import (
	"reflect"

	"sawhorse/bench/signal"
)

// truthRefs are the true signals of Car.Truth, one entry each. A signal of something that
// not every car has says of what: engine, manual or automatic (gearbox), two-banks or
// evap; a car without has it, but it never moves.
type truthRefs struct {
	Key           signal.Ref `name:"key" text:"key: 0 off, 1 accessory, 2 on, 3 start"`
	KeyAccessory  signal.Ref `name:"key_accessory" unit:"bool" text:"key at accessory or beyond"`
	KeyOn         signal.Ref `name:"key_on" unit:"bool" text:"key at on or start"`
	KeyStart      signal.Ref `name:"key_start" unit:"bool" text:"key held at start"`
	Clutch        signal.Ref `name:"clutch_pct" unit:"%" text:"clutch pedal, 100 fully pressed" of:"manual"`
	Accelerator   signal.Ref `name:"accelerator_pct" unit:"%" text:"accelerator pedal, 100 fully pressed"`
	Brake         signal.Ref `name:"brake_pct" unit:"%" text:"brake pedal, 100 fully pressed"`
	Gear          signal.Ref `name:"gear" text:"gear engaged: 0 neutral, -1 reverse, 1 and up" of:"engine"`
	ParkingBrake  signal.Ref `name:"parking_brake" unit:"bool" text:"parking brake set"`
	Door          signal.Ref `name:"door_open" unit:"bool" text:"driver's door open"`
	EngineRPM     signal.Ref `name:"engine_rpm" unit:"rev/min" text:"crankshaft speed" of:"engine"`
	Running       signal.Ref `name:"engine_running" unit:"bool" text:"engine turns by its own combustion" of:"engine"`
	Cranking      signal.Ref `name:"cranking" unit:"bool" text:"starter turns the engine" of:"engine"`
	Manifold      signal.Ref `name:"manifold_kpa" unit:"kPa" text:"intake manifold pressure, absolute" of:"engine"`
	Baro          signal.Ref `name:"baro_kpa" unit:"kPa" text:"barometric pressure" of:"engine"`
	AirMass       signal.Ref `name:"air_mass_gps" unit:"g/s" text:"air through the air-mass sensor" of:"engine"`
	CylinderAir   signal.Ref `name:"cylinder_air_gps" unit:"g/s" text:"air into the cylinders" of:"engine"`
	Fuel          signal.Ref `name:"fuel_gps" unit:"g/s" text:"fuel into the cylinders" of:"engine"`
	Lambda1       signal.Ref `name:"lambda_1" text:"air-fuel ratio over stoichiometric in the exhaust, bank 1" of:"engine"`
	Lambda2       signal.Ref `name:"lambda_2" text:"air-fuel ratio over stoichiometric in the exhaust, bank 2" of:"two-banks"`
	Throttle      signal.Ref `name:"throttle_pct" unit:"%" text:"throttle plate, 0 closed, 100 open" of:"engine"`
	Spark         signal.Ref `name:"spark_deg" unit:"deg" text:"ignition before top dead centre" of:"engine"`
	Torque        signal.Ref `name:"torque_nm" unit:"N m" text:"torque of combustion at the crankshaft, before friction" of:"engine"`
	ClutchTorque  signal.Ref `name:"clutch_nm" unit:"N m" text:"torque through the clutch" of:"manual"`
	Coolant       signal.Ref `name:"coolant_c" unit:"degC" text:"coolant temperature" of:"engine"`
	Oil           signal.Ref `name:"oil_c" unit:"degC" text:"engine oil temperature" of:"engine"`
	IntakeAir     signal.Ref `name:"intake_air_c" unit:"degC" text:"air temperature in the air-mass housing" of:"engine"`
	Ambient       signal.Ref `name:"ambient_c" unit:"degC" text:"outside air temperature" of:"engine"`
	Catalyst      signal.Ref `name:"catalyst_c" unit:"degC" text:"catalyst temperature" of:"engine"`
	Battery       signal.Ref `name:"battery_v" unit:"V" text:"battery terminal voltage"`
	BatteryAmps   signal.Ref `name:"battery_a" unit:"A" text:"battery current, positive when it charges" of:"engine"`
	BatteryCharge signal.Ref `name:"battery_charge_pct" unit:"%" text:"battery state of charge" of:"engine"`
	StarterAmps   signal.Ref `name:"starter_a" unit:"A" text:"starter motor current" of:"engine"`
	FuelPump      signal.Ref `name:"fuel_pump" unit:"bool" text:"fuel pump has supply" of:"engine"`
	Rail          signal.Ref `name:"rail_kpa" unit:"kPa" text:"fuel rail pressure over the manifold's" of:"engine"`
	FuelLevel     signal.Ref `name:"fuel_level_pct" unit:"%" text:"fuel in the tank" of:"engine"`
	Fan           signal.Ref `name:"fan" unit:"bool" text:"radiator fan has supply" of:"engine"`
	MIL           signal.Ref `name:"mil" unit:"bool" text:"malfunction indicator lamp is lit" of:"engine"`
	SecurityLamp  signal.Ref `name:"security_lamp" unit:"bool" text:"security lamp is lit" of:"engine"`
	Vehicle       signal.Ref `name:"vehicle_kmh" unit:"km/h" text:"road speed, negative backwards" of:"engine"`
	WheelFL       signal.Ref `name:"wheel_fl_kmh" unit:"km/h" text:"front left wheel's speed" of:"engine"`
	WheelFR       signal.Ref `name:"wheel_fr_kmh" unit:"km/h" text:"front right wheel's speed" of:"engine"`
	WheelRL       signal.Ref `name:"wheel_rl_kmh" unit:"km/h" text:"rear left wheel's speed" of:"engine"`
	WheelRR       signal.Ref `name:"wheel_rr_kmh" unit:"km/h" text:"rear right wheel's speed" of:"engine"`
	CrankRate     signal.Ref `name:"crank_rate_hz" unit:"Hz" text:"teeth of the crank wheel passing its sensor, its errors included" of:"engine"`
	CrankTurn     signal.Ref `name:"crank_turn" text:"position of the crankshaft in its turn, 0 to 1" of:"engine"`
	O2B1S1        signal.Ref `name:"o2_b1s1_v" unit:"V" text:"lambda sensor before the catalyst, bank 1" of:"engine"`
	O2B1S2        signal.Ref `name:"o2_b1s2_v" unit:"V" text:"lambda sensor behind the catalyst, bank 1" of:"engine"`
	O2B2S1        signal.Ref `name:"o2_b2s1_v" unit:"V" text:"lambda sensor before the catalyst, bank 2" of:"two-banks"`
	O2B2S2        signal.Ref `name:"o2_b2s2_v" unit:"V" text:"lambda sensor behind the catalyst, bank 2" of:"two-banks"`
	CamRate       signal.Ref `name:"cam_rate_rpm" unit:"rev/min" text:"engine speed as the wheel on the camshaft shows it" of:"engine"`
	CamTurn       signal.Ref `name:"cam_turn" text:"position of the camshaft in its turn, 0 to 1" of:"engine"`
	ExhaustBack   signal.Ref `name:"exhaust_kpa" unit:"kPa" text:"back pressure of the exhaust over the outside" of:"engine"`
	PumpVolts     signal.Ref `name:"pump_v" unit:"V" text:"voltage at the fuel pump" of:"engine"`
	Purge         signal.Ref `name:"purge_gps" unit:"g/s" text:"vapour and air from the canister into the manifold" of:"evap"`
	Tank          signal.Ref `name:"tank_kpa" unit:"kPa" text:"pressure in the tank over the outside" of:"evap"`
	Vent          signal.Ref `name:"vent_open" unit:"bool" text:"the canister's vent is open" of:"evap"`
	Knock         signal.Ref `name:"knock_v" unit:"V" text:"vibration at the knock sensor, as its voltage" of:"engine"`
	ClutchSlip    signal.Ref `name:"clutch_slip_rpm" unit:"rev/min" text:"engine speed over the gearbox input's, in gear" of:"manual"`
	Misfires      signal.Ref `name:"misfires" text:"charges that did not light, of the last hundred" of:"engine"`
	Steering      signal.Ref `name:"steering_deg" unit:"deg" text:"steering wheel from straight ahead, left positive"`
	Selector      signal.Ref `name:"selector" text:"lever of an automatic gearbox: 0 P, 1 R, 2 N, 3 D" of:"automatic"`
	ParkNeutral   signal.Ref `name:"park_neutral" unit:"bool" text:"lever of an automatic gearbox at P or N" of:"automatic"`
	Turbine       signal.Ref `name:"turbine_rpm" unit:"rev/min" text:"speed of the converter's turbine, the input of an automatic gearbox" of:"automatic"`
	Output        signal.Ref `name:"output_rpm" unit:"rev/min" text:"speed of an automatic gearbox's output, before the final drive" of:"automatic"`
	ConverterSlip signal.Ref `name:"converter_slip_rpm" unit:"rev/min" text:"engine speed over the turbine's" of:"automatic"`
	Lockup        signal.Ref `name:"lockup_pct" unit:"%" text:"lock-up clutch of the converter, 100 closed" of:"automatic"`
	Fluid         signal.Ref `name:"fluid_c" unit:"degC" text:"fluid temperature of an automatic gearbox" of:"automatic"`
}

// names lists the signals of a table.
func names(t *signal.Table) []string {
	var list []string
	for _, i := range t.Infos() {
		list = append(list, i.Name)
	}
	return list
}

// newTruth declares all true signals.
func newTruth() (*signal.Table, truthRefs) {
	t, at := &signal.Table{}, truthRefs{}
	t.Declare(&at)
	return t, at
}

// Signals lists the signals that a car has: those of the model that mean something to it,
// then its own.
func (s *Spec) Signals() []signal.Info {
	has := map[string]bool{
		"": true, "engine": !s.UnitsOnly(), "automatic": s.Automatic(), "manual": !s.UnitsOnly() && !s.Automatic(),
		"two-banks": !s.UnitsOnly() && s.Engine.Banks != 1, "evap": s.Engine.Evap.PurgeMM2 > 0,
	}
	var list []signal.Info
	for f := range reflect.TypeFor[truthRefs]().Fields() {
		if has[f.Tag.Get("of")] {
			list = append(list, signal.Info{Name: f.Tag.Get("name"), Unit: f.Tag.Get("unit"), Text: f.Tag.Get("text")})
		}
	}
	for i := range s.wiring.Signals {
		o := &s.wiring.Signals[i]
		list = append(list, signal.Info{Name: o.Name, Unit: o.Unit, Text: o.Text})
	}
	return list
}
