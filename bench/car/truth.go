package car

import "sawhorse/bench/signal"

// Places of the true signals in Car.Truth, in the order of truthInfos.
const (
	sKey signal.Ref = iota
	sKeyAccessory
	sKeyOn
	sKeyStart
	sClutch
	sAccelerator
	sBrake
	sGear
	sParkingBrake
	sDoor
	sEngineRPM
	sRunning
	sCranking
	sManifold
	sBaro
	sAirMass
	sCylinderAir
	sFuel
	sLambda1
	sLambda2
	sThrottle
	sSpark
	sTorque
	sClutchTorque
	sCoolant
	sOil
	sIntakeAir
	sAmbient
	sCatalyst
	sBattery
	sBatteryAmps
	sBatteryCharge
	sStarterAmps
	sFuelPump
	sRail
	sFuelLevel
	sFan
	sMIL
	sSecurityLamp
	sVehicle
	sWheelFL
	sWheelFR
	sWheelRL
	sWheelRR
	sCrankRate
	sCrankTurn
	sO2B1S1
	sO2B1S2
	sO2B2S1
	sO2B2S2
	sCamRate
	sCamTurn
	sExhaustBack
	sPumpVolts
	sPurge
	sTank
	sVent
	sKnock
	sClutchSlip
	sMisfires
	sSteering
	sSelector
	sParkNeutral
	sTurbine
	sOutput
	sConverterSlip
	sLockup
	sFluid
)

var truthInfos = []signal.Info{
	{Name: "key", Text: "key: 0 off, 1 accessory, 2 on, 3 start"},
	{Name: "key_accessory", Unit: "bool", Text: "key at accessory or beyond"},
	{Name: "key_on", Unit: "bool", Text: "key at on or start"},
	{Name: "key_start", Unit: "bool", Text: "key held at start"},
	{Name: "clutch_pct", Unit: "%", Text: "clutch pedal, 100 fully pressed"},
	{Name: "accelerator_pct", Unit: "%", Text: "accelerator pedal, 100 fully pressed"},
	{Name: "brake_pct", Unit: "%", Text: "brake pedal, 100 fully pressed"},
	{Name: "gear", Text: "gear engaged: 0 neutral, -1 reverse, 1 and up"},
	{Name: "parking_brake", Unit: "bool", Text: "parking brake set"},
	{Name: "door_open", Unit: "bool", Text: "driver's door open"},
	{Name: "engine_rpm", Unit: "rev/min", Text: "crankshaft speed"},
	{Name: "engine_running", Unit: "bool", Text: "engine turns by its own combustion"},
	{Name: "cranking", Unit: "bool", Text: "starter turns the engine"},
	{Name: "manifold_kpa", Unit: "kPa", Text: "intake manifold pressure, absolute"},
	{Name: "baro_kpa", Unit: "kPa", Text: "barometric pressure"},
	{Name: "air_mass_gps", Unit: "g/s", Text: "air through the air-mass sensor"},
	{Name: "cylinder_air_gps", Unit: "g/s", Text: "air into the cylinders"},
	{Name: "fuel_gps", Unit: "g/s", Text: "fuel into the cylinders"},
	{Name: "lambda_1", Text: "air-fuel ratio over stoichiometric in the exhaust, bank 1"},
	{Name: "lambda_2", Text: "air-fuel ratio over stoichiometric in the exhaust, bank 2"},
	{Name: "throttle_pct", Unit: "%", Text: "throttle plate, 0 closed, 100 open"},
	{Name: "spark_deg", Unit: "deg", Text: "ignition before top dead centre"},
	{Name: "torque_nm", Unit: "N m", Text: "torque of combustion at the crankshaft, before friction"},
	{Name: "clutch_nm", Unit: "N m", Text: "torque through the clutch"},
	{Name: "coolant_c", Unit: "degC", Text: "coolant temperature"},
	{Name: "oil_c", Unit: "degC", Text: "engine oil temperature"},
	{Name: "intake_air_c", Unit: "degC", Text: "air temperature in the air-mass housing"},
	{Name: "ambient_c", Unit: "degC", Text: "outside air temperature"},
	{Name: "catalyst_c", Unit: "degC", Text: "catalyst temperature"},
	{Name: "battery_v", Unit: "V", Text: "battery terminal voltage"},
	{Name: "battery_a", Unit: "A", Text: "battery current, positive when it charges"},
	{Name: "battery_charge_pct", Unit: "%", Text: "battery state of charge"},
	{Name: "starter_a", Unit: "A", Text: "starter motor current"},
	{Name: "fuel_pump", Unit: "bool", Text: "fuel pump has supply"},
	{Name: "rail_kpa", Unit: "kPa", Text: "fuel rail pressure over the manifold's"},
	{Name: "fuel_level_pct", Unit: "%", Text: "fuel in the tank"},
	{Name: "fan", Unit: "bool", Text: "radiator fan has supply"},
	{Name: "mil", Unit: "bool", Text: "malfunction indicator lamp is lit"},
	{Name: "security_lamp", Unit: "bool", Text: "security lamp is lit"},
	{Name: "vehicle_kmh", Unit: "km/h", Text: "road speed, negative backwards"},
	{Name: "wheel_fl_kmh", Unit: "km/h", Text: "front left wheel's speed"},
	{Name: "wheel_fr_kmh", Unit: "km/h", Text: "front right wheel's speed"},
	{Name: "wheel_rl_kmh", Unit: "km/h", Text: "rear left wheel's speed"},
	{Name: "wheel_rr_kmh", Unit: "km/h", Text: "rear right wheel's speed"},
	{Name: "crank_rate_hz", Unit: "Hz", Text: "teeth of the crank wheel passing its sensor, its errors included"},
	{Name: "crank_turn", Text: "position of the crankshaft in its turn, 0 to 1"},
	{Name: "o2_b1s1_v", Unit: "V", Text: "lambda sensor before the catalyst, bank 1"},
	{Name: "o2_b1s2_v", Unit: "V", Text: "lambda sensor behind the catalyst, bank 1"},
	{Name: "o2_b2s1_v", Unit: "V", Text: "lambda sensor before the catalyst, bank 2"},
	{Name: "o2_b2s2_v", Unit: "V", Text: "lambda sensor behind the catalyst, bank 2"},
	{Name: "cam_rate_rpm", Unit: "rev/min", Text: "engine speed as the wheel on the camshaft shows it"},
	{Name: "cam_turn", Text: "position of the camshaft in its turn, 0 to 1"},
	{Name: "exhaust_kpa", Unit: "kPa", Text: "back pressure of the exhaust over the outside"},
	{Name: "pump_v", Unit: "V", Text: "voltage at the fuel pump"},
	{Name: "purge_gps", Unit: "g/s", Text: "vapour and air from the canister into the manifold"},
	{Name: "tank_kpa", Unit: "kPa", Text: "pressure in the tank over the outside"},
	{Name: "vent_open", Unit: "bool", Text: "the canister's vent is open"},
	{Name: "knock_v", Unit: "V", Text: "vibration at the knock sensor, as its voltage"},
	{Name: "clutch_slip_rpm", Unit: "rev/min", Text: "engine speed over the gearbox input's, in gear"},
	{Name: "misfires", Text: "charges that did not light, of the last hundred"},
	{Name: "steering_deg", Unit: "deg", Text: "steering wheel from straight ahead, left positive"},
	{Name: "selector", Text: "lever of an automatic gearbox: 0 P, 1 R, 2 N, 3 D"},
	{Name: "park_neutral", Unit: "bool", Text: "lever of an automatic gearbox at P or N"},
	{Name: "turbine_rpm", Unit: "rev/min", Text: "speed of the converter's turbine, the input of an automatic gearbox"},
	{Name: "output_rpm", Unit: "rev/min", Text: "speed of an automatic gearbox's output, before the final drive"},
	{Name: "converter_slip_rpm", Unit: "rev/min", Text: "engine speed over the turbine's"},
	{Name: "lockup_pct", Unit: "%", Text: "lock-up clutch of the converter, 100 closed"},
	{Name: "fluid_c", Unit: "degC", Text: "fluid temperature of an automatic gearbox"},
}

// newTruth defines all true signals; their Refs are the constants above.
func newTruth() *signal.Table {
	t := &signal.Table{}
	for _, i := range truthInfos {
		t.Define(i.Name, i.Unit, i.Text)
	}
	return t
}

func isTruth(name string) bool {
	for _, i := range truthInfos {
		if i.Name == name {
			return true
		}
	}
	return false
}
