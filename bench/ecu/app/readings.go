package app

import "sawhorse/bench/signal"

// Places of the engine ECU's readings, in the order of engineReadings.
const (
	rPowered signal.Ref = iota
	rKey
	rRPM
	rRunning
	rCranking
	rStartAllowed
	rRunTime
	rVehicle
	rCoolant
	rIntakeAir
	rAirMass
	rMAP
	rBaro
	rAmbient
	rOil
	rThrottle
	rThrottleCommanded
	rThrottleRelative
	rThrottleV
	rPedal
	rPedal2
	rClutch
	rClutchV
	rClutchLearned
	rCrankVariation
	rCrankVariationLearned
	rGear
	rParkingBrake
	rBrakePedal
	rBattery
	rLoad
	rLoadAbsolute
	rSpark
	rShort1
	rLong1
	rShort2
	rLong2
	rO2B1S1
	rO2B1S2
	rO2B2S1
	rO2B2S2
	rFuelSystem1
	rFuelSystem2
	rLambda
	rFuelRate
	rFuelLevel
	rFuelPump
	rFan
	rIdleAir
	rIdleTarget
	rCatalyst
	rPurge
	rTorque
	rMIL
	rSecurityLamp
	rImmobiliser
	rRail
	rTank
	rVent
	rLostBrake
	rLostBody
	rSwing1
	rSwing2
	rThrottle2V
	rKnock
	rCamOffset
	rTankRise
	rBodyKey
	rBusOff
	rParkNeutral
	rSelector
	rGearboxGear
	rLostGearbox
	rClutchPressed
)

var engineReadings = []signal.Info{
	{Name: "powered", Unit: "bool", Text: "the ECU has supply and runs"},
	{Name: "key", Text: "key: 0 off, 1 accessory, 2 on, 3 start"},
	{Name: "engine_rpm", Unit: "rev/min", Text: "engine speed"},
	{Name: "engine_running", Unit: "bool", Text: "engine runs by itself"},
	{Name: "cranking", Unit: "bool", Text: "starter commanded"},
	{Name: "start_allowed", Unit: "bool", Text: "nothing inhibits the starter"},
	{Name: "run_time_s", Unit: "s", Text: "time since the engine started"},
	{Name: "vehicle_kmh", Unit: "km/h", Text: "road speed, from the brake ECU"},
	{Name: "coolant_c", Unit: "degC", Text: "coolant temperature"},
	{Name: "intake_air_c", Unit: "degC", Text: "intake air temperature"},
	{Name: "air_mass_gps", Unit: "g/s", Text: "air mass flow, as measured"},
	{Name: "map_kpa", Unit: "kPa", Text: "intake manifold pressure, absolute"},
	{Name: "baro_kpa", Unit: "kPa", Text: "barometric pressure, from the manifold at rest"},
	{Name: "ambient_c", Unit: "degC", Text: "ambient temperature"},
	{Name: "oil_c", Unit: "degC", Text: "engine oil temperature"},
	{Name: "throttle_pct", Unit: "%", Text: "throttle position"},
	{Name: "throttle_commanded_pct", Unit: "%", Text: "throttle position wanted"},
	{Name: "throttle_relative_pct", Unit: "%", Text: "throttle position over its learned rest"},
	{Name: "throttle_v", Unit: "V", Text: "throttle sensor, first track"},
	{Name: "pedal_pct", Unit: "%", Text: "accelerator pedal, first track"},
	{Name: "pedal_2_pct", Unit: "%", Text: "accelerator pedal, second track"},
	{Name: "clutch_pct", Unit: "%", Text: "clutch pedal by its learned end stops, 100 fully pressed"},
	{Name: "clutch_v", Unit: "V", Text: "clutch position sensor"},
	{Name: "clutch_learned", Unit: "bool", Text: "clutch end stops are learned"},
	{Name: "crank_variation_pct", Unit: "%", Text: "run-out of the crank wheel as seen over the last turns"},
	{Name: "crank_variation_learned", Unit: "bool", Text: "run-out of the crank wheel is learned"},
	{Name: "gear", Text: "gear lever: 0 neutral, -1 reverse, 1 to 6"},
	{Name: "parking_brake", Unit: "bool", Text: "parking brake set"},
	{Name: "brake_pedal", Unit: "bool", Text: "brake pedal pressed"},
	{Name: "battery_v", Unit: "V", Text: "supply voltage"},
	{Name: "load_pct", Unit: "%", Text: "calculated load"},
	{Name: "load_absolute_pct", Unit: "%", Text: "absolute load"},
	{Name: "spark_deg", Unit: "deg", Text: "ignition before top dead centre, cylinder 1"},
	{Name: "trim_short_1_pct", Unit: "%", Text: "short-term fuel trim, bank 1"},
	{Name: "trim_long_1_pct", Unit: "%", Text: "long-term fuel trim, bank 1"},
	{Name: "trim_short_2_pct", Unit: "%", Text: "short-term fuel trim, bank 2"},
	{Name: "trim_long_2_pct", Unit: "%", Text: "long-term fuel trim, bank 2"},
	{Name: "o2_b1s1_v", Unit: "V", Text: "lambda sensor before the catalyst, bank 1"},
	{Name: "o2_b1s2_v", Unit: "V", Text: "lambda sensor behind the catalyst, bank 1"},
	{Name: "o2_b2s1_v", Unit: "V", Text: "lambda sensor before the catalyst, bank 2"},
	{Name: "o2_b2s2_v", Unit: "V", Text: "lambda sensor behind the catalyst, bank 2"},
	{Name: "fuel_system_1", Text: "fuel system status, bank 1, as PID 03 has it"},
	{Name: "fuel_system_2", Text: "fuel system status, bank 2, as PID 03 has it"},
	{Name: "lambda_commanded", Text: "air-fuel ratio wanted, over stoichiometric"},
	{Name: "fuel_rate_lph", Unit: "l/h", Text: "fuel rate"},
	{Name: "fuel_level_pct", Unit: "%", Text: "fuel level"},
	{Name: "fuel_pump", Unit: "bool", Text: "fuel pump commanded"},
	{Name: "fan", Unit: "bool", Text: "radiator fan commanded"},
	{Name: "idle_air_pct", Unit: "%", Text: "correction of the idle air"},
	{Name: "idle_target_rpm", Unit: "rev/min", Text: "idle speed wanted"},
	{Name: "catalyst_1_c", Unit: "degC", Text: "catalyst temperature, bank 1, modelled"},
	{Name: "purge_pct", Unit: "%", Text: "evaporative purge commanded"},
	{Name: "torque_pct", Unit: "%", Text: "engine torque of the most there is"},
	{Name: "mil", Unit: "bool", Text: "malfunction indicator lamp asked for by a code"},
	{Name: "security_lamp", Unit: "bool", Text: "the engine is locked by the immobiliser"},
	{Name: "immobiliser_ok", Unit: "bool", Text: "the key is known"},
	{Name: "rail_kpa", Unit: "kPa", Text: "fuel rail pressure"},
	{Name: "tank_kpa", Unit: "kPa", Text: "pressure in the tank over the outside"},
	{Name: "vent_closed", Unit: "bool", Text: "vent of the canister commanded closed"},
	{Name: "lost_brake", Unit: "bool", Text: "no messages of the brake ECU"},
	{Name: "lost_body", Unit: "bool", Text: "no messages of the body ECU"},
	{Name: "catalyst_swing_1_pct", Unit: "%", Text: "swing of the oxygen sensor behind the catalyst, of that before it, bank 1"},
	{Name: "catalyst_swing_2_pct", Unit: "%", Text: "swing of the oxygen sensor behind the catalyst, of that before it, bank 2"},
	{Name: "throttle_2_v", Unit: "V", Text: "throttle sensor, second track"},
	{Name: "knock_v", Unit: "V", Text: "knock sensor"},
	{Name: "cam_offset_deg", Unit: "deg", Text: "camshaft against crankshaft, in degrees of the crank"},
	{Name: "tank_rise_kpa", Unit: "kPa", Text: "rise of the closed tank's pressure in the last leak test"},
	{Name: "body_key_code", Text: "transponder number of the key that the body ECU has accepted, 0 for none"},
	{Name: "bus_off", Unit: "bool", Text: "the ECU's controller is off the bus"},
	{Name: "park_neutral", Unit: "bool", Text: "switch of an automatic gearbox: lever at P or N"},
	{Name: "selector", Text: "lever of an automatic gearbox, from its ECU: 0 P, 1 R, 2 N, 3 D"},
	{Name: "gearbox_gear", Text: "gear of an automatic gearbox, from its ECU"},
	{Name: "lost_gearbox", Unit: "bool", Text: "no messages of the gearbox ECU"},
	{Name: "clutch_pressed", Unit: "bool", Text: "clutch pedal fully pressed, by its learned end stops"},
}

// newReadings makes a table; the Refs are 0, 1, 2 ... in the order of infos.
func newReadings(infos []signal.Info) *signal.Table {
	t := &signal.Table{}
	for _, i := range infos {
		t.Define(i.Name, i.Unit, i.Text)
	}
	return t
}
