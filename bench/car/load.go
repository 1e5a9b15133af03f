package car

import (
	"embed"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"sync"

	"sawhorse/bench/car/exact"
	"sawhorse/bench/car/strict"
)

//go:generate go test . -run TreesAreCurrent -update

// The files of the built-in cars, and what parsing them gives.
var (
	//go:embed */*.yaml */*.dbc
	files embed.FS
	//go:embed trees.bin
	trees string

	builtIn = sync.OnceValue(func() strict.Files { return strict.Packed(files, trees) })
)

// builtInCar is a built-in car: every folder with a car.yaml is one.
type builtInCar struct {
	name, dir string
	// spec reads it once.
	spec func() (*Spec, error)
}

// cars are the built-in ones. Their names alone are read; who looks for one car reads
// no other's files.
var cars = sync.OnceValue(func() []builtInCar {
	found, err := fs.Glob(files, "*/car.yaml")
	if err != nil {
		panic(err) // the pattern is a good one
	}
	var list []builtInCar
	for _, f := range found {
		src, err := strict.Open(builtIn(), f, f)
		if err != nil {
			panic(err) // embedded: cannot fail
		}
		dir := path.Dir(f)
		list = append(list, builtInCar{src.Word("car"), dir, sync.OnceValues(func() (*Spec, error) { return Load(builtIn(), dir) })})
	}
	return list
})

// Default is the car that is taken where nothing is said.
const Default = "petrel-48"

// Names lists the cars by the names in their car.yaml: the built-in ones, then those
// of Use.
func Names() []string {
	var names []string
	for _, c := range cars() {
		names = append(names, c.name)
	}
	for _, s := range outside.all() {
		names = append(names, s.Name)
	}
	return names
}

// Find finds a car by name: a built-in one, or one of Use.
func Find(name string) (*Spec, error) {
	for _, s := range outside.all() {
		if s.Name == name {
			return s, nil
		}
	}
	return BuiltIn(name)
}

// BuiltIn reads a built-in car by name, such as petrel-48. Equal names give the
// same Spec.
func BuiltIn(name string) (*Spec, error) {
	for _, c := range cars() {
		if c.name == name {
			return c.spec()
		}
	}
	return nil, fmt.Errorf("car %q is not known, want one of %v", name, Names())
}

// Load reads and checks a car's folder: car.yaml and circuits.yaml. The error
// names file, line and column and says what was expected.
func Load(fsys fs.FS, dir string) (*Spec, error) {
	sub, err := fs.Sub(fsys, dir)
	if err != nil {
		return nil, fmt.Errorf("car folder %q: %w", dir, err)
	}
	return load(sub, dir)
}

// load reads a folder's files; errors name them below dir.
func load(sub fs.FS, dir string) (*Spec, error) {
	s := &Spec{Dir: sub, Shown: dir}
	doc, err := read(sub, dir, "car.yaml", s)
	if err != nil {
		return nil, err
	}
	s.doc = doc
	if err := s.check(doc); err != nil {
		return nil, err
	}
	if err := s.checkFiles(doc); err != nil {
		return nil, err
	}
	if err := s.readNetworks(doc, dir); err != nil {
		return nil, err
	}
	doc, err = read(sub, dir, "circuits.yaml", &s.wiring)
	if err != nil {
		return nil, err
	}
	s.circuit = doc
	if err := s.wiring.check(doc); err != nil {
		return nil, err
	}
	return s, nil
}

func read(fsys fs.FS, dir, name string, v any) (*strict.Doc, error) {
	src, err := strict.Open(fsys, name, path.Join(dir, name))
	if err != nil {
		return nil, err
	}
	return src.Decode(v)
}

func (s *Spec) check(d *strict.Doc) error {
	if s.Name == "" {
		return d.Errorf("$.car", "missing, want the car's name")
	}
	if s.Title == "" {
		return d.Errorf("$.title", "missing, want one line saying what car it is")
	}
	if err := s.Identity.check(d); err != nil {
		return err
	}
	if !d.Has("$.engine") {
		return s.checkUnitsOnly(d)
	}
	for _, fn := range []func(*strict.Doc) error{
		s.Engine.check, s.Supply.check, s.Cooling.check, s.Driveline.check, s.Conditions.check,
	} {
		if err := fn(d); err != nil {
			return err
		}
	}
	if s.Calibration == "" {
		return d.Errorf("$.calibration", "missing, want the file of the engine ECU's numbers")
	}
	switch {
	case s.Automatic() && s.ShiftPoints == "":
		return d.Errorf("$.shift_points", "missing, want the file of the gearbox ECU's numbers")
	case !s.Automatic() && s.ShiftPoints != "":
		return d.Errorf("$.shift_points", "%q, want none without an automatic gearbox", s.ShiftPoints)
	}
	return nil
}

// checkFiles checks that the files are there which car.yaml names, one for each ECU
// of the identity.
func (s *Spec) checkFiles(d *strict.Doc) error {
	there := func(path, name string) error {
		if _, err := fs.Stat(s.Dir, name); err != nil {
			return d.Errorf(path, "%q: %v, want a file in the car's folder", name, err)
		}
		return nil
	}
	for i, f := range s.ECUFiles {
		if err := there(fmt.Sprintf("$.ecu_files[%d]", i), f); err != nil {
			return err
		}
	}
	for i, e := range s.Identity.ECUs {
		if f := "ecu-" + e.Name + ".yaml"; !slices.Contains(s.ECUFiles, f) {
			return d.Errorf(fmt.Sprintf("$.identity.ecus[%d].name", i), "%q, but %s is not among the ecu_files", e.Name, f)
		}
	}
	if s.UnitsOnly() {
		return nil
	}
	if err := there("$.calibration", s.Calibration); err != nil || s.ShiftPoints == "" {
		return err
	}
	return there("$.shift_points", s.ShiftPoints)
}

func (i *Identity) check(d *strict.Doc) error {
	if err := checkVIN(i.VIN); err != nil {
		return d.Errorf("$.identity.vin", "%v", err)
	}
	for n, e := range i.ECUs {
		p := fmt.Sprintf("$.identity.ecus[%d]", n)
		if e.Name == "" {
			return d.Errorf(p+".name", "missing, want the ECU's name")
		}
		if len(e.Title) < 1 || len(e.Title) > 20 {
			return d.Errorf(p+".title", "%d characters, want 1 to 20", len(e.Title))
		}
		for m, c := range e.Calibrations {
			if len(c.ID) < 1 || len(c.ID) > 16 {
				return d.Errorf(fmt.Sprintf("%s.calibrations[%d].id", p, m), "%d characters, want 1 to 16", len(c.ID))
			}
		}
	}
	return nil
}

// curve is a curve of a file with the range its values must keep.
type curve struct {
	path   string
	c      exact.Curve
	lo, hi float64
}

func checkCurves(d *strict.Doc, cs ...curve) error {
	for _, c := range cs {
		if err := c.c.Check(c.lo, c.hi); err != nil {
			return d.Errorf(c.path, "%v", err)
		}
	}
	return nil
}

func (e *EngineSpec) check(d *strict.Doc) error {
	const p = "$.engine."
	if err := d.Ranges(
		strict.Number{Path: p + "cylinders", Value: float64(e.Cylinders), Lo: 2, Hi: 16},
		strict.Number{Path: p + "displacement_l", Value: e.DisplacementL, Lo: 0.5, Hi: 10, Unit: "l"},
		strict.Number{Path: p + "compression", Value: e.Compression, Lo: 6, Hi: 15},
		strict.Number{Path: p + "manifold_l", Value: e.ManifoldL, Lo: 1, Hi: 30, Unit: "l"},
		strict.Number{Path: p + "inertia_kg_m2", Value: e.InertiaKgM2, Lo: 0.05, Hi: 2, Unit: "kg m2"},
		strict.Number{Path: p + "throttle_mm", Value: e.ThrottleMM, Lo: 20, Hi: 150, Unit: "mm"},
		strict.Number{Path: p + "throttle_closed_deg", Value: e.ThrottleClosed, Lo: 0, Hi: 20, Unit: "deg"},
		strict.Number{Path: p + "throttle_flow", Value: e.ThrottleFlow, Lo: 0.4, Hi: 1},
		strict.Number{Path: p + "throttle_rest_pct", Value: e.ThrottleRestPct, Lo: 0, Hi: 30, Unit: "%"},
		strict.Number{Path: p + "leak_mm2", Value: e.LeakMM2, Lo: 0, Hi: 100, Unit: "mm2"},
		strict.Number{Path: p + "spark_loss_deg2", Value: e.SparkLoss, Lo: 0, Hi: 0.002, Unit: "per deg2"},
		strict.Number{Path: p + "friction_bar[0]", Value: e.FrictionBar[0], Lo: 0.1, Hi: 5, Unit: "bar"},
		strict.Number{Path: p + "friction_bar[1]", Value: e.FrictionBar[1], Lo: 0, Hi: 2, Unit: "bar"},
		strict.Number{Path: p + "friction_bar[2]", Value: e.FrictionBar[2], Lo: 0, Hi: 1, Unit: "bar"},
		strict.Number{Path: p + "cold_friction", Value: e.ColdFriction, Lo: 0, Hi: 2},
		strict.Number{Path: p + "roughness_pct", Value: e.RoughnessPct, Lo: 0, Hi: 30, Unit: "%"},
		strict.Number{Path: p + "wheel_error_pct", Value: e.WheelErrorPct, Lo: 0, Hi: 5, Unit: "%"},
		strict.Number{Path: p + "film_share", Value: e.FilmShare, Lo: 0, Hi: 0.5},
		strict.Number{Path: p + "film_s", Value: e.FilmS, Lo: 0.05, Hi: 5, Unit: "s"},
		strict.Number{Path: p + "rail_kpa", Value: e.RailKPa, Lo: 100, Hi: 20000, Unit: "kPa"},
		strict.Number{Path: p + "tank_l", Value: e.TankL, Lo: 5, Hi: 200, Unit: "l"},
		strict.Number{Path: p + "stoichiometric", Value: e.StoichRatio, Lo: 6, Hi: 20, Unit: "kg/kg"},
		strict.Number{Path: p + "fuel_mj_per_kg", Value: e.FuelMJPerKg, Lo: 15, Hi: 60, Unit: "MJ/kg"},
		strict.Number{Path: p + "fuel_kg_per_l", Value: e.FuelKgPerL, Lo: 0.5, Hi: 1, Unit: "kg/l"},
		strict.Number{Path: p + "catalyst_lag_s", Value: e.CatalystLagS, Lo: 1, Hi: 600, Unit: "s"},
		strict.Number{Path: p + "lambda_heater_s", Value: e.LambdaHeaterS, Lo: 1, Hi: 120, Unit: "s"},
		strict.Number{Path: p + "catalyst_storage_s", Value: e.CatalystStorageS, Lo: 0.05, Hi: 60, Unit: "s"},
		strict.Number{Path: p + "bank_fuel_pct[0]", Value: e.BankFuelPct[0], Lo: -10, Hi: 10, Unit: "%"},
		strict.Number{Path: p + "bank_fuel_pct[1]", Value: e.BankFuelPct[1], Lo: -10, Hi: 10, Unit: "%"},
		strict.Number{Path: p + "banks", Value: float64(e.Banks), Lo: 0, Hi: 2},
		strict.Number{Path: p + "filter_kpa_per_gps2", Value: e.FilterDrop, Lo: 0, Hi: 0.01, Unit: "kPa per (g/s)2"},
		strict.Number{Path: p + "exhaust_kpa_per_gps2", Value: e.ExhaustDrop, Lo: 0, Hi: 0.01, Unit: "kPa per (g/s)2"},
		strict.Number{Path: p + "pump_kpa", Value: e.PumpKPa, Lo: e.RailKPa, Hi: 30000, Unit: "kPa"},
		strict.Number{Path: p + "pump_gps", Value: e.PumpGPS, Lo: 1, Hi: 500, Unit: "g/s"},
		strict.Number{Path: p + "fuel_filter_kpa_per_gps2", Value: e.FuelLineDrop, Lo: 0, Hi: 10, Unit: "kPa per (g/s)2"},
		strict.Number{Path: p + "evap.purge_mm2", Value: e.Evap.PurgeMM2, Lo: 0, Hi: 50, Unit: "mm2"},
		strict.Number{Path: p + "evap.vent_mm2", Value: e.Evap.VentMM2, Lo: 0, Hi: 1000, Unit: "mm2"},
		strict.Number{Path: p + "evap.space_l", Value: e.Evap.SpaceL, Lo: 0, Hi: 200, Unit: "l"},
		strict.Number{Path: p + "evap.boil_kpa_min", Value: e.Evap.BoilKPaPMn, Lo: 0, Hi: 10, Unit: "kPa/min"},
	); err != nil {
		return err
	}
	if err := e.checkOrder(d, p+"firing_order"); err != nil {
		return err
	}
	return checkCurves(d,
		curve{p + "volumetric", e.Volumetric, 0.3, 1.2},
		curve{p + "indicated", e.Indicated, 0.05, 0.5},
		curve{p + "low_speed", e.LowSpeed, 0, 1},
		curve{p + "mixture", e.Mixture, 0, 1.2},
		curve{p + "best_spark", e.BestSpark, 0, 60},
		curve{p + "compression_nm", e.CompressionNM, 0, 200},
		curve{p + "exhaust_c", e.ExhaustC, 0, 1200},
	)
}

// checkOrder checks that every cylinder fires once; no order is a good one.
func (e *EngineSpec) checkOrder(d *strict.Doc, path string) error {
	if len(e.FiringOrder) == 0 {
		return nil
	}
	seen := 0
	for i, k := range e.FiringOrder {
		if k < 1 || k > e.Cylinders || seen>>k&1 == 1 {
			return d.Errorf(fmt.Sprintf("%s[%d]", path, i), "%d, want every cylinder from 1 to %d once", k, e.Cylinders)
		}
		seen |= 1 << k
	}
	if len(e.FiringOrder) != e.Cylinders {
		return d.Errorf(path, "%d cylinders, want all %d", len(e.FiringOrder), e.Cylinders)
	}
	return nil
}

func (s *SupplySpec) check(d *strict.Doc) error {
	const p = "$.supply."
	if err := d.Ranges(
		strict.Number{Path: p + "battery_ohm", Value: s.BatteryOhm, Lo: 0.001, Hi: 0.2, Unit: "ohm"},
		strict.Number{Path: p + "charge_ohm", Value: s.ChargeOhm, Lo: 0.001, Hi: 1, Unit: "ohm"},
		strict.Number{Path: p + "capacity_ah", Value: s.CapacityAh, Lo: 10, Hi: 300, Unit: "Ah"},
		strict.Number{Path: p + "regulated_v", Value: s.RegulatedV, Lo: 12, Hi: 16, Unit: "V"},
		strict.Number{Path: p + "regulator_v_per_k", Value: s.RegulatorVPK, Lo: -0.05, Hi: 0, Unit: "V/K"},
		strict.Number{Path: p + "alternator_efficiency", Value: s.AlternatorEff, Lo: 0.2, Hi: 1},
		strict.Number{Path: p + "starter_nm_per_a", Value: s.StarterNMPerA, Lo: 0.01, Hi: 2, Unit: "N m/A"},
		strict.Number{Path: p + "starter_efficiency", Value: s.StarterEff, Lo: 0.3, Hi: 1},
		strict.Number{Path: p + "starter_ohm", Value: s.StarterOhm, Lo: 0.002, Hi: 1, Unit: "ohm"},
		strict.Number{Path: p + "brush_v", Value: s.BrushV, Lo: 0, Hi: 3, Unit: "V"},
		strict.Number{Path: p + "relay_pull_in_v", Value: s.RelayPullInV, Lo: 3, Hi: 10, Unit: "V"},
		strict.Number{Path: p + "rest_a", Value: s.RestA, Lo: 0, Hi: 5, Unit: "A"},
		strict.Number{Path: p + "key_on_a", Value: s.KeyOnA, Lo: 0, Hi: 50, Unit: "A"},
		strict.Number{Path: p + "running_a", Value: s.RunningA, Lo: 0, Hi: 100, Unit: "A"},
		strict.Number{Path: p + "pump_a", Value: s.PumpA, Lo: 0, Hi: 30, Unit: "A"},
		strict.Number{Path: p + "fan_a", Value: s.FanA, Lo: 0, Hi: 80, Unit: "A"},
	); err != nil {
		return err
	}
	return checkCurves(d,
		curve{p + "rest_v", s.RestV, 6, 14},
		curve{p + "alternator_a", s.AlternatorA, 0, 400},
	)
}

func (c *CoolingSpec) check(d *strict.Doc) error {
	const p = "$.cooling."
	return d.Ranges(
		strict.Number{Path: p + "heat_kj_per_k", Value: c.HeatKJPerK, Lo: 10, Hi: 1000, Unit: "kJ/K"},
		strict.Number{Path: p + "fuel_share", Value: c.FuelShare, Lo: 0.1, Hi: 0.6},
		strict.Number{Path: p + "opens_c", Value: c.OpensC, Lo: 60, Hi: 110, Unit: "degC"},
		strict.Number{Path: p + "full_c", Value: c.FullC, Lo: c.OpensC + 1, Hi: 130, Unit: "degC"},
		strict.Number{Path: p + "loss_w_per_k", Value: c.LossWPerK, Lo: 0, Hi: 500, Unit: "W/K"},
		strict.Number{Path: p + "still_w_per_k", Value: c.StillWPerK, Lo: 0, Hi: 2000, Unit: "W/K"},
		strict.Number{Path: p + "fan_w_per_k", Value: c.FanWPerK, Lo: 0, Hi: 5000, Unit: "W/K"},
		strict.Number{Path: p + "wind_w_per_k", Value: c.WindWPerK, Lo: 0, Hi: 5000, Unit: "W/K"},
		strict.Number{Path: p + "oil_lag_s", Value: c.OilLagS, Lo: 10, Hi: 3600, Unit: "s"},
		strict.Number{Path: p + "intake_soak_pct", Value: c.IntakeSoakPc, Lo: 0, Hi: 80, Unit: "%"},
	)
}

func (s *DrivelineSpec) check(d *strict.Doc) error {
	const p = "$.driveline."
	if n := len(s.Ratios); n < 1 || n > 8 {
		return d.Errorf(p+"ratios", "%d gears, want 1 to 8", n)
	}
	for i, r := range s.Ratios {
		if err := d.Ranges(strict.Number{Path: fmt.Sprintf("%sratios[%d]", p, i), Value: r, Lo: 0.3, Hi: 8}); err != nil {
			return err
		}
	}
	switch {
	case s.Automatic != nil && (s.ClutchNM != 0 || len(s.Bite) > 0):
		return d.Errorf(p+"automatic", "a clutch as well, want either clutch_nm and bite or automatic")
	case s.Automatic != nil:
		if err := s.Automatic.check(d, p+"automatic.", len(s.Ratios)); err != nil {
			return err
		}
	default:
		if err := d.Ranges(strict.Number{Path: p + "clutch_nm", Value: s.ClutchNM, Lo: 50, Hi: 3000, Unit: "N m"}); err != nil {
			return err
		}
		if err := checkCurves(d, curve{p + "bite", s.Bite, 0, 1}); err != nil {
			return err
		}
	}
	return d.Ranges(
		strict.Number{Path: p + "reverse", Value: s.Reverse, Lo: 0.3, Hi: 8},
		strict.Number{Path: p + "final", Value: s.Final, Lo: 1, Hi: 8},
		strict.Number{Path: p + "efficiency", Value: s.Efficiency, Lo: 0.5, Hi: 1},
		strict.Number{Path: p + "wheel_radius_m", Value: s.WheelM, Lo: 0.15, Hi: 1, Unit: "m"},
		strict.Number{Path: p + "steering_offset_deg", Value: s.SteeringOffsetDeg, Lo: -90, Hi: 90, Unit: "deg"},
		strict.Number{Path: p + "mass_kg", Value: s.MassKg, Lo: 300, Hi: 10000, Unit: "kg"},
		strict.Number{Path: p + "rolling", Value: s.Rolling, Lo: 0.001, Hi: 0.1},
		strict.Number{Path: p + "drag_m2", Value: s.DragM2, Lo: 0.1, Hi: 10, Unit: "m2"},
		strict.Number{Path: p + "brake_n", Value: s.BrakeN, Lo: 1000, Hi: 100000, Unit: "N"},
		strict.Number{Path: p + "parking_brake_n", Value: s.ParkingBrakeN, Lo: 500, Hi: 50000, Unit: "N"},
		strict.Number{Path: p + "pedal_pct_per_s", Value: s.PedalPctPerSec, Lo: 10, Hi: 10000, Unit: "%/s"},
	)
}

func (a *AutomaticSpec) check(d *strict.Doc, p string, gears int) error {
	if err := d.Ranges(
		strict.Number{Path: p + "overrun_share", Value: a.OverrunShare, Lo: 0, Hi: 1},
		strict.Number{Path: p + "turbine_kg_m2", Value: a.TurbineKgM2, Lo: 0.005, Hi: 1, Unit: "kg m2"},
		strict.Number{Path: p + "turbine_drag_nm", Value: a.TurbineNM, Lo: 0, Hi: 50, Unit: "N m"},
		strict.Number{Path: p + "lockup_nm", Value: a.LockupNM, Lo: 0, Hi: 3000, Unit: "N m"},
		strict.Number{Path: p + "lockup_s", Value: a.LockupS, Lo: 0.05, Hi: 5, Unit: "s"},
		strict.Number{Path: p + "elements_nm", Value: a.ElementNM, Lo: 50, Hi: 5000, Unit: "N m"},
		strict.Number{Path: p + "engage_s", Value: a.EngageS, Lo: 0.1, Hi: 5, Unit: "s"},
		strict.Number{Path: p + "shift_s", Value: a.ShiftS, Lo: 0.1, Hi: 5, Unit: "s"},
		strict.Number{Path: p + "pawl_n", Value: a.PawlN, Lo: 1000, Hi: 200000, Unit: "N"},
		strict.Number{Path: p + "fluid_kj_per_k", Value: a.FluidKJPerK, Lo: 1, Hi: 200, Unit: "kJ/K"},
		strict.Number{Path: p + "fluid_w_per_k", Value: a.FluidWPerK, Lo: 1, Hi: 2000, Unit: "W/K"},
	); err != nil {
		return err
	}
	if err := checkCurves(d, curve{p + "capacity", a.Capacity, 0, 50000}, curve{p + "torque_ratio", a.TorqueRatio, 1, 4}); err != nil {
		return err
	}
	if len(a.Solenoids) != gears {
		return d.Errorf(p+"solenoids", "%d pairs, want one for each of the %d gears", len(a.Solenoids), gears)
	}
	for i, s := range a.Solenoids {
		if slices.Contains(a.Solenoids[:i], s) {
			return d.Errorf(fmt.Sprintf("%ssolenoids[%d]", p, i), "the valves of another gear, want a pair of its own")
		}
	}
	return nil
}

func (c *ConditionsSpec) check(d *strict.Doc) error {
	const p = "$.conditions."
	return d.Ranges(
		strict.Number{Path: p + "ambient_c", Value: c.AmbientC, Lo: -40, Hi: 60, Unit: "degC"},
		strict.Number{Path: p + "coolant_c", Value: c.CoolantC, Lo: -40, Hi: 130, Unit: "degC"},
		strict.Number{Path: p + "baro_kpa", Value: c.BaroKPa, Lo: 50, Hi: 110, Unit: "kPa"},
		strict.Number{Path: p + "charge_pct", Value: c.ChargePct, Lo: 0, Hi: 100, Unit: "%"},
		strict.Number{Path: p + "fuel_pct", Value: c.FuelPct, Lo: 0, Hi: 100, Unit: "%"},
	)
}
