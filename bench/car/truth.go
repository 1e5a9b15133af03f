package car

import "sawhorse/bench/signal"

// truthRefs are the true signals of Car.Truth, one entry each.
type truthRefs struct {
	Key           signal.Ref `name:"key" text:"key: 0 off, 1 accessory, 2 on, 3 start"`
	KeyAccessory  signal.Ref `name:"key_accessory" unit:"bool" text:"key at accessory or beyond"`
	KeyOn         signal.Ref `name:"key_on" unit:"bool" text:"key at on or start"`
	KeyStart      signal.Ref `name:"key_start" unit:"bool" text:"key held at start"`
	Clutch        signal.Ref `name:"clutch_pct" unit:"%" text:"clutch pedal, 100 fully pressed"`
	Accelerator   signal.Ref `name:"accelerator_pct" unit:"%" text:"accelerator pedal, 100 fully pressed"`
	Brake         signal.Ref `name:"brake_pct" unit:"%" text:"brake pedal, 100 fully pressed"`
	Gear          signal.Ref `name:"gear" text:"gear engaged: 0 neutral, -1 reverse, 1 and up"`
	ParkingBrake  signal.Ref `name:"parking_brake" unit:"bool" text:"parking brake set"`
	Door          signal.Ref `name:"door_open" unit:"bool" text:"driver's door open"`
	EngineRPM     signal.Ref `name:"engine_rpm" unit:"rev/min" text:"crankshaft speed"`
	Running       signal.Ref `name:"engine_running" unit:"bool" text:"engine turns by its own combustion"`
	Cranking      signal.Ref `name:"cranking" unit:"bool" text:"starter turns the engine"`
	Manifold      signal.Ref `name:"manifold_kpa" unit:"kPa" text:"intake manifold pressure, absolute"`
	Baro          signal.Ref `name:"baro_kpa" unit:"kPa" text:"barometric pressure"`
	AirMass       signal.Ref `name:"air_mass_gps" unit:"g/s" text:"air through the air-mass sensor"`
	CylinderAir   signal.Ref `name:"cylinder_air_gps" unit:"g/s" text:"air into the cylinders"`
	Fuel          signal.Ref `name:"fuel_gps" unit:"g/s" text:"fuel into the cylinders"`
	Lambda1       signal.Ref `name:"lambda_1" text:"air-fuel ratio over stoichiometric in the exhaust, bank 1"`
	Lambda2       signal.Ref `name:"lambda_2" text:"air-fuel ratio over stoichiometric in the exhaust, bank 2"`
	Throttle      signal.Ref `name:"throttle_pct" unit:"%" text:"throttle plate, 0 closed, 100 open"`
	Spark         signal.Ref `name:"spark_deg" unit:"deg" text:"ignition before top dead centre"`
	Torque        signal.Ref `name:"torque_nm" unit:"N m" text:"torque of combustion at the crankshaft, before friction"`
	ClutchTorque  signal.Ref `name:"clutch_nm" unit:"N m" text:"torque through the clutch"`
	Coolant       signal.Ref `name:"coolant_c" unit:"degC" text:"coolant temperature"`
	Oil           signal.Ref `name:"oil_c" unit:"degC" text:"engine oil temperature"`
	IntakeAir     signal.Ref `name:"intake_air_c" unit:"degC" text:"air temperature in the air-mass housing"`
	Ambient       signal.Ref `name:"ambient_c" unit:"degC" text:"outside air temperature"`
	Catalyst      signal.Ref `name:"catalyst_c" unit:"degC" text:"catalyst temperature"`
	Battery       signal.Ref `name:"battery_v" unit:"V" text:"battery terminal voltage"`
	BatteryAmps   signal.Ref `name:"battery_a" unit:"A" text:"battery current, positive when it charges"`
	BatteryCharge signal.Ref `name:"battery_charge_pct" unit:"%" text:"battery state of charge"`
	StarterAmps   signal.Ref `name:"starter_a" unit:"A" text:"starter motor current"`
	FuelPump      signal.Ref `name:"fuel_pump" unit:"bool" text:"fuel pump has supply"`
	Rail          signal.Ref `name:"rail_kpa" unit:"kPa" text:"fuel rail pressure over the manifold's"`
	FuelLevel     signal.Ref `name:"fuel_level_pct" unit:"%" text:"fuel in the tank"`
	Fan           signal.Ref `name:"fan" unit:"bool" text:"radiator fan has supply"`
	MIL           signal.Ref `name:"mil" unit:"bool" text:"malfunction indicator lamp is lit"`
	SecurityLamp  signal.Ref `name:"security_lamp" unit:"bool" text:"security lamp is lit"`
	Vehicle       signal.Ref `name:"vehicle_kmh" unit:"km/h" text:"road speed, negative backwards"`
	WheelFL       signal.Ref `name:"wheel_fl_kmh" unit:"km/h" text:"front left wheel's speed"`
	WheelFR       signal.Ref `name:"wheel_fr_kmh" unit:"km/h" text:"front right wheel's speed"`
	WheelRL       signal.Ref `name:"wheel_rl_kmh" unit:"km/h" text:"rear left wheel's speed"`
	WheelRR       signal.Ref `name:"wheel_rr_kmh" unit:"km/h" text:"rear right wheel's speed"`
	CrankRate     signal.Ref `name:"crank_rate_hz" unit:"Hz" text:"teeth of the crank wheel passing its sensor, its errors included"`
	CrankTurn     signal.Ref `name:"crank_turn" text:"position of the crankshaft in its turn, 0 to 1"`
	O2B1S1        signal.Ref `name:"o2_b1s1_v" unit:"V" text:"lambda sensor before the catalyst, bank 1"`
	O2B1S2        signal.Ref `name:"o2_b1s2_v" unit:"V" text:"lambda sensor behind the catalyst, bank 1"`
	O2B2S1        signal.Ref `name:"o2_b2s1_v" unit:"V" text:"lambda sensor before the catalyst, bank 2"`
	O2B2S2        signal.Ref `name:"o2_b2s2_v" unit:"V" text:"lambda sensor behind the catalyst, bank 2"`
	CamRate       signal.Ref `name:"cam_rate_rpm" unit:"rev/min" text:"engine speed as the wheel on the camshaft shows it"`
	CamTurn       signal.Ref `name:"cam_turn" text:"position of the camshaft in its turn, 0 to 1"`
	ExhaustBack   signal.Ref `name:"exhaust_kpa" unit:"kPa" text:"back pressure of the exhaust over the outside"`
	PumpVolts     signal.Ref `name:"pump_v" unit:"V" text:"voltage at the fuel pump"`
	Purge         signal.Ref `name:"purge_gps" unit:"g/s" text:"vapour and air from the canister into the manifold"`
	Tank          signal.Ref `name:"tank_kpa" unit:"kPa" text:"pressure in the tank over the outside"`
	Vent          signal.Ref `name:"vent_open" unit:"bool" text:"the canister's vent is open"`
	Knock         signal.Ref `name:"knock_v" unit:"V" text:"vibration at the knock sensor, as its voltage"`
	ClutchSlip    signal.Ref `name:"clutch_slip_rpm" unit:"rev/min" text:"engine speed over the gearbox input's, in gear"`
	Misfires      signal.Ref `name:"misfires" text:"charges that did not light, of the last hundred"`
	Steering      signal.Ref `name:"steering_deg" unit:"deg" text:"steering wheel from straight ahead, left positive"`
	Selector      signal.Ref `name:"selector" text:"lever of an automatic gearbox: 0 P, 1 R, 2 N, 3 D"`
	ParkNeutral   signal.Ref `name:"park_neutral" unit:"bool" text:"lever of an automatic gearbox at P or N"`
	Turbine       signal.Ref `name:"turbine_rpm" unit:"rev/min" text:"speed of the converter's turbine, the input of an automatic gearbox"`
	Output        signal.Ref `name:"output_rpm" unit:"rev/min" text:"speed of an automatic gearbox's output, before the final drive"`
	ConverterSlip signal.Ref `name:"converter_slip_rpm" unit:"rev/min" text:"engine speed over the turbine's"`
	Lockup        signal.Ref `name:"lockup_pct" unit:"%" text:"lock-up clutch of the converter, 100 closed"`
	Fluid         signal.Ref `name:"fluid_c" unit:"degC" text:"fluid temperature of an automatic gearbox"`
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
