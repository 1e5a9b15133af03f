package app

import "sawhorse/bench/signal"

// engineRefs are the readings of the engine ECU, one entry each.
type engineRefs struct {
	RPM                   signal.Ref `name:"engine_rpm" unit:"rev/min" text:"engine speed"`
	Running               signal.Ref `name:"engine_running" unit:"bool" text:"engine runs by itself"`
	Cranking              signal.Ref `name:"cranking" unit:"bool" text:"starter commanded"`
	StartAllowed          signal.Ref `name:"start_allowed" unit:"bool" text:"nothing inhibits the starter"`
	RunTime               signal.Ref `name:"run_time_s" unit:"s" text:"time since the engine started"`
	Vehicle               signal.Ref `name:"vehicle_kmh" unit:"km/h" text:"road speed, from the brake ECU"`
	Coolant               signal.Ref `name:"coolant_c" unit:"degC" text:"coolant temperature"`
	IntakeAir             signal.Ref `name:"intake_air_c" unit:"degC" text:"intake air temperature"`
	AirMass               signal.Ref `name:"air_mass_gps" unit:"g/s" text:"air mass flow, as measured"`
	MAP                   signal.Ref `name:"map_kpa" unit:"kPa" text:"intake manifold pressure, absolute"`
	Baro                  signal.Ref `name:"baro_kpa" unit:"kPa" text:"barometric pressure, from the manifold at rest"`
	Ambient               signal.Ref `name:"ambient_c" unit:"degC" text:"ambient temperature"`
	Oil                   signal.Ref `name:"oil_c" unit:"degC" text:"engine oil temperature"`
	Throttle              signal.Ref `name:"throttle_pct" unit:"%" text:"throttle position"`
	ThrottleCommanded     signal.Ref `name:"throttle_commanded_pct" unit:"%" text:"throttle position wanted"`
	ThrottleRelative      signal.Ref `name:"throttle_relative_pct" unit:"%" text:"throttle position over its learned rest"`
	ThrottleV             signal.Ref `name:"throttle_v" unit:"V" text:"throttle sensor, first track"`
	Pedal                 signal.Ref `name:"pedal_pct" unit:"%" text:"accelerator pedal, first track"`
	Pedal2                signal.Ref `name:"pedal_2_pct" unit:"%" text:"accelerator pedal, second track"`
	Clutch                signal.Ref `name:"clutch_pct" unit:"%" text:"clutch pedal by its learned end stops, 100 fully pressed"`
	ClutchV               signal.Ref `name:"clutch_v" unit:"V" text:"clutch position sensor"`
	ClutchLearned         signal.Ref `name:"clutch_learned" unit:"bool" text:"clutch end stops are learned"`
	CrankVariation        signal.Ref `name:"crank_variation_pct" unit:"%" text:"run-out of the crank wheel as seen over the last turns"`
	CrankVariationLearned signal.Ref `name:"crank_variation_learned" unit:"bool" text:"run-out of the crank wheel is learned"`
	Gear                  signal.Ref `name:"gear" text:"gear lever: 0 neutral, -1 reverse, 1 to 6"`
	ParkingBrake          signal.Ref `name:"parking_brake" unit:"bool" text:"parking brake set"`
	BrakePedal            signal.Ref `name:"brake_pedal" unit:"bool" text:"brake pedal pressed"`
	Load                  signal.Ref `name:"load_pct" unit:"%" text:"calculated load"`
	LoadAbsolute          signal.Ref `name:"load_absolute_pct" unit:"%" text:"absolute load"`
	Spark                 signal.Ref `name:"spark_deg" unit:"deg" text:"ignition before top dead centre, cylinder 1"`
	Short1                signal.Ref `name:"trim_short_1_pct" unit:"%" text:"short-term fuel trim, bank 1"`
	Long1                 signal.Ref `name:"trim_long_1_pct" unit:"%" text:"long-term fuel trim, bank 1"`
	Short2                signal.Ref `name:"trim_short_2_pct" unit:"%" text:"short-term fuel trim, bank 2"`
	Long2                 signal.Ref `name:"trim_long_2_pct" unit:"%" text:"long-term fuel trim, bank 2"`
	O2B1S1                signal.Ref `name:"o2_b1s1_v" unit:"V" text:"lambda sensor before the catalyst, bank 1"`
	O2B1S2                signal.Ref `name:"o2_b1s2_v" unit:"V" text:"lambda sensor behind the catalyst, bank 1"`
	O2B2S1                signal.Ref `name:"o2_b2s1_v" unit:"V" text:"lambda sensor before the catalyst, bank 2"`
	O2B2S2                signal.Ref `name:"o2_b2s2_v" unit:"V" text:"lambda sensor behind the catalyst, bank 2"`
	FuelSystem1           signal.Ref `name:"fuel_system_1" text:"fuel system status, bank 1, as PID 03 has it"`
	FuelSystem2           signal.Ref `name:"fuel_system_2" text:"fuel system status, bank 2, as PID 03 has it"`
	Lambda                signal.Ref `name:"lambda_commanded" text:"air-fuel ratio wanted, over stoichiometric"`
	FuelRate              signal.Ref `name:"fuel_rate_lph" unit:"l/h" text:"fuel rate"`
	FuelLevel             signal.Ref `name:"fuel_level_pct" unit:"%" text:"fuel level"`
	FuelPump              signal.Ref `name:"fuel_pump" unit:"bool" text:"fuel pump commanded"`
	Fan                   signal.Ref `name:"fan" unit:"bool" text:"radiator fan commanded"`
	IdleAir               signal.Ref `name:"idle_air_pct" unit:"%" text:"correction of the idle air"`
	IdleTarget            signal.Ref `name:"idle_target_rpm" unit:"rev/min" text:"idle speed wanted"`
	Catalyst              signal.Ref `name:"catalyst_1_c" unit:"degC" text:"catalyst temperature, bank 1, modelled"`
	Purge                 signal.Ref `name:"purge_pct" unit:"%" text:"evaporative purge commanded"`
	Torque                signal.Ref `name:"torque_pct" unit:"%" text:"engine torque of the most there is"`
	MIL                   signal.Ref `name:"mil" unit:"bool" text:"malfunction indicator lamp asked for by a code"`
	SecurityLamp          signal.Ref `name:"security_lamp" unit:"bool" text:"the engine is locked by the immobiliser"`
	Immobiliser           signal.Ref `name:"immobiliser_ok" unit:"bool" text:"the key is known"`
	Rail                  signal.Ref `name:"rail_kpa" unit:"kPa" text:"fuel rail pressure"`
	Tank                  signal.Ref `name:"tank_kpa" unit:"kPa" text:"pressure in the tank over the outside"`
	Vent                  signal.Ref `name:"vent_closed" unit:"bool" text:"vent of the canister commanded closed"`
	Swing1                signal.Ref `name:"catalyst_swing_1_pct" unit:"%" text:"swing of the oxygen sensor behind the catalyst, of that before it, bank 1"`
	Swing2                signal.Ref `name:"catalyst_swing_2_pct" unit:"%" text:"swing of the oxygen sensor behind the catalyst, of that before it, bank 2"`
	Throttle2V            signal.Ref `name:"throttle_2_v" unit:"V" text:"throttle sensor, second track"`
	Knock                 signal.Ref `name:"knock_v" unit:"V" text:"knock sensor"`
	CamOffset             signal.Ref `name:"cam_offset_deg" unit:"deg" text:"camshaft against crankshaft, in degrees of the crank"`
	TankRise              signal.Ref `name:"tank_rise_kpa" unit:"kPa" text:"rise of the closed tank's pressure in the last leak test"`
	BodyKey               signal.Ref `name:"body_key_code" text:"transponder number of the key that the body ECU has accepted, 0 for none"`
	ParkNeutral           signal.Ref `name:"park_neutral" unit:"bool" text:"switch of an automatic gearbox: lever at P or N"`
	Selector              signal.Ref `name:"selector" text:"lever of an automatic gearbox, from its ECU: 0 P, 1 R, 2 N, 3 D"`
	GearboxGear           signal.Ref `name:"gearbox_gear" text:"gear of an automatic gearbox, from its ECU"`
	ClutchPressed         signal.Ref `name:"clutch_pressed" unit:"bool" text:"clutch pedal fully pressed, by its learned end stops"`
}
