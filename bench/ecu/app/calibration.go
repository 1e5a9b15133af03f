package app

import (
	"fmt"
	"path"

	"sawhorse/bench/car"
	"sawhorse/bench/car/exact"
	"sawhorse/bench/car/strict"
)

// calibration is the file of an engine ECU's numbers.
type calibration struct {
	DisplacementL float64 `yaml:"displacement_l"`
	Cylinders     int     `yaml:"cylinders"`
	// Banks is 1 or 2; odd cylinders are those of bank 1.
	Banks int `yaml:"banks"`
	// InertiaKgM2 is the engine's with what turns with it, for the misfire monitor.
	InertiaKgM2 float64 `yaml:"inertia_kg_m2"`

	Idle struct {
		RPM       exact.Curve `yaml:"rpm"`
		AirPct    exact.Curve `yaml:"air_pct"`
		CrankPct  float64     `yaml:"crank_extra_pct"`
		P         float64     `yaml:"p_pct_per_rpm"`
		I         float64     `yaml:"i_pct_per_rpm_s"`
		CatchRPM  float64     `yaml:"catch_rpm"` // above target: speed is on its way down
		CatchPct  float64     `yaml:"catch_pct"` // air that catches it
		Lowest    float64     `yaml:"lowest_pct"`
		Highest   float64     `yaml:"highest_pct"`
		Spark     float64     `yaml:"spark_deg"`
		SparkP    float64     `yaml:"spark_p_deg_per_rpm"`
		SparkD    float64     `yaml:"spark_d_deg_per_rpm_s"`
		SparkSpan float64     `yaml:"spark_span_deg"`
		RoughAt   float64     `yaml:"rough_rpm_s"`
		RoughDeg  float64     `yaml:"rough_retard_deg"`
		RoughS    float64     `yaml:"rough_s"`
	} `yaml:"idle"`

	Pedal struct {
		Throttle  exact.Curve `yaml:"throttle_pct"`
		IdleBelow float64     `yaml:"idle_below_pct"`
	} `yaml:"pedal"`

	Spark struct {
		Base   exact.Curve `yaml:"base_deg"`
		Retard exact.Curve `yaml:"load_retard_deg"`
		Crank  float64     `yaml:"crank_deg"`
	} `yaml:"spark"`

	Fuel struct {
		Stoich         float64     `yaml:"stoichiometric"`
		CrankAirMg     float64     `yaml:"crank_air_mg"`
		CrankFactor    exact.Curve `yaml:"crank_factor"`
		AfterStart     exact.Curve `yaml:"after_start"`
		AfterStartS    float64     `yaml:"after_start_s"`
		WarmUp         exact.Curve `yaml:"warm_up"`
		FullPedal      float64     `yaml:"full_load_pedal_pct"`
		FullLambda     float64     `yaml:"full_load_lambda"`
		PrimeS         float64     `yaml:"prime_s"`
		PumpOffS       float64     `yaml:"pump_off_s"`
		LimitRPM       float64     `yaml:"limit_rpm"`
		LimitBackRPM   float64     `yaml:"limit_back_rpm"`
		LearnLimitRPM  float64     `yaml:"learn_limit_rpm"` // of the crank variation learn
		OverrunRPM     float64     `yaml:"overrun_rpm"`
		OverrunBackRPM float64     `yaml:"overrun_back_rpm"`
		WetPct         float64     `yaml:"wet_pct"` // more fuel after a cut, for the dry wall
		WetS           float64     `yaml:"wet_s"`
	} `yaml:"fuel"`

	Lambda struct {
		FromC     float64 `yaml:"from_coolant_c"`
		FromS     float64 `yaml:"from_run_s"`
		JumpPct   float64 `yaml:"jump_pct"`
		SlopePct  float64 `yaml:"slope_pct_per_s"`
		LongShare float64 `yaml:"long_share_per_s"`
		MostPct   float64 `yaml:"most_pct"`
	} `yaml:"lambda_control"`

	Air struct {
		A           float64     `yaml:"meter_a"`
		B           float64     `yaml:"meter_b"`
		ManifoldS   float64     `yaml:"manifold_s_at_600"`
		MapThrottle []float64   `yaml:"map_throttle_pct"`
		MapRPM      []float64   `yaml:"map_rpm"`
		MapGPS      [][]float64 `yaml:"map_gps"`
	} `yaml:"air"`

	Temperatures struct {
		Ohm               float64 `yaml:"ohm"`
		AtC               float64 `yaml:"at_c"`
		BK                float64 `yaml:"b_k"`
		PullOhm           float64 `yaml:"pull_ohm"`
		SubstituteCoolant float64 `yaml:"substitute_coolant_c"`
		SubstituteIntake  float64 `yaml:"substitute_intake_c"`
	} `yaml:"temperatures"`

	Pins struct {
		Throttle     [2]float64 `yaml:"throttle"`
		Pedal1       [2]float64 `yaml:"pedal_1"`
		Pedal2       [2]float64 `yaml:"pedal_2"`
		ManifoldKPa  [2]float64 `yaml:"manifold_kpa"`
		ManifoldV    [2]float64 `yaml:"manifold_v"`
		Gear         [2]float64 `yaml:"gear"`
		GearV        [2]float64 `yaml:"gear_v"`
		FuelLevelV   [2]float64 `yaml:"fuel_level_v"`
		WheelHzPerKm float64    `yaml:"wheel_hz_per_kmh"`
	} `yaml:"pins"`

	// Clutch is the pedal of a manual gearbox, Selector what an automatic one asks of
	// the engine: a car has one of them.
	Clutch *struct {
		ReleasedV  float64 `yaml:"default_released_v"`
		PressedV   float64 `yaml:"default_pressed_v"`
		PressedPct float64 `yaml:"pressed_pct"`
	} `yaml:"clutch"`
	Selector *struct {
		DriveAirPct float64 `yaml:"drive_air_pct"` // more throttle at idle with a range engaged
		DriveRPM    float64 `yaml:"drive_rpm"`     // the idle then falls by
		LimitRPM    float64 `yaml:"limit_rpm"`     // of an engine without load, in P and N
	} `yaml:"selector"`

	Crank struct {
		StartRPM  float64 `yaml:"start_rpm"`
		StallRPM  float64 `yaml:"stall_rpm"`
		SyncTurns float64 `yaml:"sync_turns"`
		CamEdges  float64 `yaml:"missing_cam_edges"`
		LeftPct   float64 `yaml:"variation_left_pct"`
	} `yaml:"crank"`

	Fan struct {
		OnC  float64 `yaml:"on_c"`
		OffC float64 `yaml:"off_c"`
	} `yaml:"fan"`

	// Rail is the fuel pressure wanted, and its sensor; 0 kPa without one.
	Rail struct {
		KPa       float64    `yaml:"kpa"`
		SensorKPa [2]float64 `yaml:"sensor_kpa"`
		SensorV   [2]float64 `yaml:"sensor_v"`
	} `yaml:"rail"`

	// Evap is purge and leak test of the tank; no test with a PullKPa of 0.
	Evap struct {
		PurgePct  float64    `yaml:"purge_pct"`
		FromS     float64    `yaml:"from_run_s"`
		FromC     float64    `yaml:"from_coolant_c"`
		PullKPa   float64    `yaml:"pull_kpa"`  // under the outside
		HoldS     float64    `yaml:"hold_s"`    // with both valves closed
		SmallKPa  float64    `yaml:"small_kpa"` // rise in that time that is a small leak
		SensorKPa [2]float64 `yaml:"sensor_kpa"`
		SensorV   [2]float64 `yaml:"sensor_v"`
	} `yaml:"evap"`

	// Misfire is what share of all firings may fail: for emissions, and by load for the
	// catalyst.
	Misfire struct {
		EmissionPct float64     `yaml:"emission_pct"`
		CatalystPct exact.Curve `yaml:"catalyst_pct"`
	} `yaml:"misfire"`

	// Gearbox is engine speed over road speed in each gear, to see the clutch slip.
	Gearbox struct {
		RPMPerKmh []float64 `yaml:"rpm_per_kmh"`
	} `yaml:"gearbox"`

	// FiringOrder is how the misfire monitor names the cylinders.
	FiringOrder []int `yaml:"firing_order"`
	// HeatKJPerK and HeatShare are the model that knows how fast coolant warms.
	HeatKJPerK float64 `yaml:"heat_kj_per_k"`
	HeatShare  float64 `yaml:"heat_share"`

	LampCheckS float64   `yaml:"lamp_check_s"`
	Learned    []Learned `yaml:"learned"`

	doc *strict.Doc
}

// loadCalibration reads the file that the car's spec names.
func loadCalibration(spec *car.Spec) (*calibration, error) {
	return car.Derived(spec, "calibration", func() (*calibration, error) {
		src, err := strict.Open(spec.Dir, spec.Calibration, path.Join(spec.Shown, spec.Calibration))
		if err != nil {
			return nil, fmt.Errorf("calibration of %s: %w", spec.Name, err)
		}
		c, err := readCalibration(src)
		switch {
		case err != nil:
		case spec.Automatic() && c.Selector == nil:
			return nil, c.doc.Errorf("$.selector", "missing, want it in the place of clutch: the car's gearbox is an automatic one")
		case !spec.Automatic() && c.Selector != nil:
			return nil, c.doc.Errorf("$.selector", "of an automatic gearbox, want clutch: the car's gearbox is a manual one")
		}
		return c, err
	})
}

func readCalibration(src strict.Source) (*calibration, error) {
	c := &calibration{}
	d, err := src.Decode(c)
	if err != nil {
		return nil, err
	}
	c.doc = d
	if err := c.checkNumbers(d); err != nil {
		return nil, err
	}
	if err := c.checkCurves(d); err != nil {
		return nil, err
	}
	if err := c.checkMap(d); err != nil {
		return nil, err
	}
	for i, l := range c.Learned {
		if l.ECU == "" || l.Value == "" {
			return nil, d.Errorf(fmt.Sprintf("$.learned[%d]", i), "want ecu, value and number")
		}
	}
	return c, nil
}

func (c *calibration) checkNumbers(d *strict.Doc) error {
	n := func(path string, v, lo, hi float64, unit string) strict.Number {
		return strict.Number{Path: "$." + path, Value: v, Lo: lo, Hi: hi, Unit: unit}
	}
	span := func(path string, v [2]float64, lo, hi float64, unit string) []strict.Number {
		return []strict.Number{n(path+"[0]", v[0], lo, hi, unit), n(path+"[1]", v[1], v[0]+0.01, hi, unit)}
	}
	p := &c.Pins
	ns := []strict.Number{
		n("displacement_l", c.DisplacementL, 0.5, 10, "l"),
		n("cylinders", float64(c.Cylinders), 2, 16, ""),
		n("banks", float64(c.Banks), 1, 2, ""),
		n("inertia_kg_m2", c.InertiaKgM2, 0.05, 2, "kg m2"),
		n("idle.crank_extra_pct", c.Idle.CrankPct, 0, 20, "%"),
		n("idle.p_pct_per_rpm", c.Idle.P, 0, 1, "%/(rev/min)"),
		n("idle.i_pct_per_rpm_s", c.Idle.I, 0, 1, "%/(rev/min s)"),
		n("idle.catch_rpm", c.Idle.CatchRPM, 20, 5000, "rev/min"),
		n("idle.catch_pct", c.Idle.CatchPct, 0, 10, "%"),
		n("idle.lowest_pct", c.Idle.Lowest, -20, 0, "%"),
		n("idle.highest_pct", c.Idle.Highest, 0, 30, "%"),
		n("idle.spark_deg", c.Idle.Spark, -10, 40, "deg"),
		n("idle.spark_p_deg_per_rpm", c.Idle.SparkP, 0, 1, "deg/(rev/min)"),
		n("idle.spark_d_deg_per_rpm_s", c.Idle.SparkD, 0, 1, "deg s/(rev/min)"),
		n("idle.spark_span_deg", c.Idle.SparkSpan, 0, 20, "deg"),
		n("idle.rough_rpm_s", c.Idle.RoughAt, 1, 1e6, "rev/min/s"),
		n("idle.rough_retard_deg", c.Idle.RoughDeg, 0, 30, "deg"),
		n("idle.rough_s", c.Idle.RoughS, 0, 10, "s"),
		n("pedal.idle_below_pct", c.Pedal.IdleBelow, 0, 20, "%"),
		n("spark.crank_deg", c.Spark.Crank, -20, 30, "deg"),
		n("fuel.stoichiometric", c.Fuel.Stoich, 6, 20, "kg/kg"),
		n("fuel.crank_air_mg", c.Fuel.CrankAirMg, 10, 3000, "mg"),
		n("fuel.after_start_s", c.Fuel.AfterStartS, 0.1, 600, "s"),
		n("fuel.full_load_pedal_pct", c.Fuel.FullPedal, 10, 100, "%"),
		n("fuel.full_load_lambda", c.Fuel.FullLambda, 0.6, 1.1, ""),
		n("fuel.prime_s", c.Fuel.PrimeS, 0, 30, "s"),
		n("fuel.pump_off_s", c.Fuel.PumpOffS, 0.1, 30, "s"),
		n("fuel.limit_rpm", c.Fuel.LimitRPM, 1000, 20000, "rev/min"),
		n("fuel.limit_back_rpm", c.Fuel.LimitBackRPM, 500, c.Fuel.LimitRPM, "rev/min"),
		n("fuel.learn_limit_rpm", c.Fuel.LearnLimitRPM, 1500, 10000, "rev/min"),
		n("fuel.overrun_rpm", c.Fuel.OverrunRPM, 500, 20000, "rev/min"),
		n("fuel.overrun_back_rpm", c.Fuel.OverrunBackRPM, 300, c.Fuel.OverrunRPM, "rev/min"),
		n("fuel.wet_pct", c.Fuel.WetPct, 0, 100, "%"),
		n("fuel.wet_s", c.Fuel.WetS, 0, 10, "s"),
		n("lambda_control.from_coolant_c", c.Lambda.FromC, -40, 100, "degC"),
		n("lambda_control.from_run_s", c.Lambda.FromS, 0, 600, "s"),
		n("lambda_control.jump_pct", c.Lambda.JumpPct, 0, 20, "%"),
		n("lambda_control.slope_pct_per_s", c.Lambda.SlopePct, 0.01, 100, "%/s"),
		n("lambda_control.long_share_per_s", c.Lambda.LongShare, 0, 10, "1/s"),
		n("lambda_control.most_pct", c.Lambda.MostPct, 1, 60, "%"),
		n("air.meter_a", c.Air.A, 0, 25, "V2"),
		n("air.meter_b", c.Air.B, 0.01, 25, "V2 per root of g/s"),
		n("air.manifold_s_at_600", c.Air.ManifoldS, 0.01, 10, "s"),
		n("temperatures.ohm", c.Temperatures.Ohm, 10, 1e6, "ohm"),
		n("temperatures.at_c", c.Temperatures.AtC, -40, 150, "degC"),
		n("temperatures.b_k", c.Temperatures.BK, 500, 10000, "K"),
		n("temperatures.pull_ohm", c.Temperatures.PullOhm, 10, 1e6, "ohm"),
		n("temperatures.substitute_coolant_c", c.Temperatures.SubstituteCoolant, -40, 130, "degC"),
		n("temperatures.substitute_intake_c", c.Temperatures.SubstituteIntake, -40, 130, "degC"),
		n("pins.wheel_hz_per_kmh", p.WheelHzPerKm, 0.1, 1000, "Hz"),
		n("crank.start_rpm", c.Crank.StartRPM, 200, 1000, "rev/min"),
		n("crank.stall_rpm", c.Crank.StallRPM, 20, c.Crank.StartRPM, "rev/min"),
		n("crank.sync_turns", c.Crank.SyncTurns, 0.1, 20, "turns"),
		n("crank.missing_cam_edges", c.Crank.CamEdges, 1, 100, ""),
		n("crank.variation_left_pct", c.Crank.LeftPct, 0, 100, "%"),
		n("fan.on_c", c.Fan.OnC, 50, 140, "degC"),
		n("fan.off_c", c.Fan.OffC, 40, c.Fan.OnC, "degC"),
		n("lamp_check_s", c.LampCheckS, 0, 60, "s"),
		n("misfire.emission_pct", c.Misfire.EmissionPct, 1, 20, "%"),
		n("rail.kpa", c.Rail.KPa, 0, 30000, "kPa"),
		n("evap.purge_pct", c.Evap.PurgePct, 0, 100, "%"),
		n("evap.from_run_s", c.Evap.FromS, 0, 3600, "s"),
		n("evap.from_coolant_c", c.Evap.FromC, -40, 120, "degC"),
		n("evap.pull_kpa", c.Evap.PullKPa, 0, 20, "kPa"),
		n("evap.hold_s", c.Evap.HoldS, 0, 600, "s"),
		n("evap.small_kpa", c.Evap.SmallKPa, 0, 20, "kPa"),
		n("heat_kj_per_k", c.HeatKJPerK, 0, 1000, "kJ/K"),
		n("heat_share", c.HeatShare, 0, 1, ""),
	}
	ns = append(ns, span("pins.throttle", p.Throttle, 0, 5, "V")...)
	ns = append(ns, span("pins.pedal_1", p.Pedal1, 0, 5, "V")...)
	ns = append(ns, span("pins.pedal_2", p.Pedal2, 0, 5, "V")...)
	ns = append(ns, span("pins.manifold_kpa", p.ManifoldKPa, 0, 400, "kPa")...)
	ns = append(ns, span("pins.manifold_v", p.ManifoldV, 0, 5, "V")...)
	switch {
	case (c.Clutch == nil) == (c.Selector == nil):
		return d.Errorf("$.displacement_l", "want either clutch or selector, as the car's gearbox is")
	case c.Clutch != nil:
		ns = append(ns, n("clutch.default_released_v", c.Clutch.ReleasedV, 0, 5, "V"),
			n("clutch.default_pressed_v", c.Clutch.PressedV, c.Clutch.ReleasedV+0.1, 5, "V"),
			n("clutch.pressed_pct", c.Clutch.PressedPct, 10, 100, "%"))
		ns = append(ns, span("pins.gear", p.Gear, -2, 10, "")...)
		ns = append(ns, span("pins.gear_v", p.GearV, 0, 5, "V")...)
	default:
		ns = append(ns, n("selector.drive_air_pct", c.Selector.DriveAirPct, 0, 10, "%"),
			n("selector.drive_rpm", c.Selector.DriveRPM, 0, 500, "rev/min"),
			n("selector.limit_rpm", c.Selector.LimitRPM, 1500, c.Fuel.LimitRPM, "rev/min"))
	}
	ns = append(ns, span("pins.fuel_level_v", p.FuelLevelV, 0, 5, "V")...)
	if c.Rail.KPa > 0 {
		ns = append(ns, span("rail.sensor_kpa", c.Rail.SensorKPa, 0, 40000, "kPa")...)
		ns = append(ns, span("rail.sensor_v", c.Rail.SensorV, 0, 5, "V")...)
	}
	if c.Evap.PullKPa > 0 {
		ns = append(ns, span("evap.sensor_kpa", c.Evap.SensorKPa, -20, 20, "kPa")...)
		ns = append(ns, span("evap.sensor_v", c.Evap.SensorV, 0, 5, "V")...)
	}
	for i, r := range c.Gearbox.RPMPerKmh {
		ns = append(ns, n(fmt.Sprintf("gearbox.rpm_per_kmh[%d]", i), r, 1, 500, "rev/min per km/h"))
	}
	if k := len(c.FiringOrder); k != 0 && k != c.Cylinders {
		return d.Errorf("$.firing_order", "%d cylinders, want all %d", k, c.Cylinders)
	}
	for i, k := range c.FiringOrder {
		ns = append(ns, n(fmt.Sprintf("firing_order[%d]", i), float64(k), 1, float64(c.Cylinders), ""))
	}
	return d.Ranges(ns...)
}

func (c *calibration) checkCurves(d *strict.Doc) error {
	for _, x := range []struct {
		path   string
		c      exact.Curve
		lo, hi float64
	}{
		{"idle.rpm", c.Idle.RPM, 300, 3000},
		{"idle.air_pct", c.Idle.AirPct, 0, 30},
		{"pedal.throttle_pct", c.Pedal.Throttle, 0, 100},
		{"spark.base_deg", c.Spark.Base, -10, 60},
		{"spark.load_retard_deg", c.Spark.Retard, 0, 60},
		{"fuel.crank_factor", c.Fuel.CrankFactor, 0.5, 10},
		{"fuel.after_start", c.Fuel.AfterStart, 0, 3},
		{"misfire.catalyst_pct", c.Misfire.CatalystPct, 5, 100},
		{"fuel.warm_up", c.Fuel.WarmUp, 0.8, 3},
	} {
		if err := x.c.Check(x.lo, x.hi); err != nil {
			return d.Errorf("$."+x.path, "%v", err)
		}
	}
	return nil
}

func (c *calibration) checkMap(d *strict.Doc) error {
	a := &c.Air
	for _, x := range []struct {
		path string
		v    []float64
	}{{"$.air.map_throttle_pct", a.MapThrottle}, {"$.air.map_rpm", a.MapRPM}} {
		for i, v := range x.v {
			if !(v >= 0 && v < 1e5) || i > 0 && v <= x.v[i-1] {
				return d.Errorf(fmt.Sprintf("%s[%d]", x.path, i), "%g, want steps rising from 0", v)
			}
		}
	}
	if len(a.MapThrottle) == 0 || len(a.MapRPM) == 0 || len(a.MapGPS) != len(a.MapThrottle) {
		return d.Errorf("$.air.map_gps", "%d rows, want one for each of the %d throttle steps", len(a.MapGPS), len(a.MapThrottle))
	}
	for i, row := range a.MapGPS {
		p := fmt.Sprintf("$.air.map_gps[%d]", i)
		if len(row) != len(a.MapRPM) {
			return d.Errorf(p, "%d values, want one for each of the %d speeds", len(row), len(a.MapRPM))
		}
		for j, v := range row {
			if !(v >= 0 && v <= 1000) {
				return d.Errorf(fmt.Sprintf("%s[%d]", p, j), "%g, want 0..1000 g/s", v)
			}
		}
	}
	return nil
}

// coarse is the substitute for a dead air-mass sensor: the step at or below,
// without anything between the steps.
func (c *calibration) coarse(throttlePct, rpm float64) float64 {
	below := func(xs []float64, x float64) int {
		i := 0
		for i+1 < len(xs) && x >= xs[i+1] {
			i++
		}
		return i
	}
	return c.Air.MapGPS[below(c.Air.MapThrottle, throttlePct)][below(c.Air.MapRPM, rpm)]
}
