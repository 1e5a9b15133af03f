package app

import (
	"fmt"
	"path"

	"sawhorse/bench/car"
	"sawhorse/bench/car/exact"
	"sawhorse/bench/car/strict"
)

// shiftPoints is the file of an automatic gearbox ECU's numbers.
type shiftPoints struct {
	Ratios    []float64 `yaml:"ratios"`
	Solenoids [][2]bool `yaml:"solenoids"` // of the shift valves a and b, by gear
	// RPMPerKmh is the output's speed over the road speed.
	RPMPerKmh  float64    `yaml:"output_rpm_per_kmh"`
	TurbineHz  float64    `yaml:"turbine_hz_per_rpm"`
	OutputHz   float64    `yaml:"output_hz_per_rpm"`
	SelectorV  [2]float64 `yaml:"selector_v"` // at P and D
	FluidOhm   float64    `yaml:"fluid_ohm"`  // of the sensor, at FluidAtC
	FluidAtC   float64    `yaml:"fluid_at_c"`
	FluidBK    float64    `yaml:"fluid_b_k"`
	FluidPull  float64    `yaml:"fluid_pull_ohm"`
	Substitute float64    `yaml:"substitute_fluid_c"`

	// Up and Down are the lines of the schedule: pedal % -> km/h, from each gear to
	// the next, and back. KickdownPct takes a line at its end.
	Up          []exact.Curve `yaml:"up_kmh"`
	Down        []exact.Curve `yaml:"down_kmh"`
	KickdownPct float64       `yaml:"kickdown_pct"`
	LimitRPM    float64       `yaml:"limit_rpm"` // no downshift beyond it
	HoldS       float64       `yaml:"hold_s"`    // from one shift to the next
	EasePct     float64       `yaml:"ease_pct"`  // pressure taken away in a shift
	EaseS       float64       `yaml:"ease_s"`
	WishS       float64       `yaml:"wish_s"` // how long a shift should take, for the adaptation
	MostPct     float64       `yaml:"adapt_most_pct"`

	Lockup struct {
		FromGear int     `yaml:"from_gear"`
		FromKmh  float64 `yaml:"from_kmh"`
		BackKmh  float64 `yaml:"back_kmh"`
		FromC    float64 `yaml:"from_fluid_c"`
		MostPct  float64 `yaml:"pedal_below_pct"`
		SlipRPM  float64 `yaml:"slip_rpm"` // beyond it a closed one slips
	} `yaml:"lockup"`
	RatioPct float64 `yaml:"ratio_off_pct"` // a ratio so far off is a wrong one
	HotC     float64 `yaml:"too_hot_c"`
}

// loadShiftPoints reads the file that the car's spec names.
func loadShiftPoints(spec *car.Spec) (*shiftPoints, error) {
	return car.Derived(spec, "shift points", func() (*shiftPoints, error) {
		if spec.ShiftPoints == "" {
			return nil, fmt.Errorf("gearbox ECU: the car %s has no automatic gearbox", spec.Name)
		}
		src, err := strict.Open(spec.Dir, spec.ShiftPoints, path.Join(spec.Shown, spec.ShiftPoints))
		if err != nil {
			return nil, fmt.Errorf("shift points of %s: %w", spec.Name, err)
		}
		return readShiftPoints(src)
	})
}

func readShiftPoints(src strict.Source) (*shiftPoints, error) {
	s := &shiftPoints{}
	d, err := src.Decode(s)
	if err != nil {
		return nil, err
	}
	return s, s.check(d)
}

func (s *shiftPoints) check(d *strict.Doc) error {
	n := func(path string, v, lo, hi float64, unit string) strict.Number {
		return strict.Number{Path: "$." + path, Value: v, Lo: lo, Hi: hi, Unit: unit}
	}
	gears := len(s.Ratios)
	if gears < 2 || gears > 10 {
		return d.Errorf("$.ratios", "%d gears, want 2 to 10", gears)
	}
	ns := []strict.Number{
		n("output_rpm_per_kmh", s.RPMPerKmh, 1, 500, "rev/min per km/h"),
		n("turbine_hz_per_rpm", s.TurbineHz, 0.01, 10, "Hz"),
		n("output_hz_per_rpm", s.OutputHz, 0.01, 10, "Hz"),
		n("selector_v[0]", s.SelectorV[0], 0.3, 4.7, "V"),
		n("selector_v[1]", s.SelectorV[1], s.SelectorV[0]+1, 4.7, "V"),
		n("fluid_ohm", s.FluidOhm, 10, 1e6, "ohm"),
		n("fluid_at_c", s.FluidAtC, -40, 150, "degC"),
		n("fluid_b_k", s.FluidBK, 500, 10000, "K"),
		n("fluid_pull_ohm", s.FluidPull, 10, 1e6, "ohm"),
		n("substitute_fluid_c", s.Substitute, -40, 150, "degC"),
		n("kickdown_pct", s.KickdownPct, 50, 100, "%"),
		n("limit_rpm", s.LimitRPM, 1000, 12000, "rev/min"),
		n("hold_s", s.HoldS, 0.1, 10, "s"),
		n("ease_pct", s.EasePct, 0, 80, "%"),
		n("ease_s", s.EaseS, 0, 5, "s"),
		n("wish_s", s.WishS, 0.05, 5, "s"),
		n("adapt_most_pct", s.MostPct, 0, 40, "%"),
		n("lockup.from_gear", float64(s.Lockup.FromGear), 1, float64(gears), ""),
		n("lockup.from_kmh", s.Lockup.FromKmh, 10, 300, "km/h"),
		n("lockup.back_kmh", s.Lockup.BackKmh, 5, s.Lockup.FromKmh, "km/h"),
		n("lockup.from_fluid_c", s.Lockup.FromC, -40, 100, "degC"),
		n("lockup.pedal_below_pct", s.Lockup.MostPct, 1, 100, "%"),
		n("lockup.slip_rpm", s.Lockup.SlipRPM, 10, 1000, "rev/min"),
		n("ratio_off_pct", s.RatioPct, 2, 30, "%"),
		n("too_hot_c", s.HotC, 80, 200, "degC"),
	}
	for i, r := range s.Ratios {
		ns = append(ns, n(fmt.Sprintf("ratios[%d]", i), r, 0.3, 8, ""))
	}
	if err := d.Ranges(ns...); err != nil {
		return err
	}
	if len(s.Solenoids) != gears {
		return d.Errorf("$.solenoids", "%d pairs, want one for each of the %d gears", len(s.Solenoids), gears)
	}
	for _, x := range []struct {
		key   string
		lines []exact.Curve
	}{{"up_kmh", s.Up}, {"down_kmh", s.Down}} {
		if len(x.lines) != gears-1 {
			return d.Errorf("$."+x.key, "%d lines, want one for each of the %d pairs of gears", len(x.lines), gears-1)
		}
		for i, c := range x.lines {
			if err := c.Check(0, 400); err != nil {
				return d.Errorf(fmt.Sprintf("$.%s[%d]", x.key, i), "%v", err)
			}
		}
	}
	for i := range s.Down {
		for pedal := 0.0; pedal <= 100; pedal += 5 {
			if s.Down[i].At(pedal) >= s.Up[i].At(pedal) {
				return d.Errorf(fmt.Sprintf("$.down_kmh[%d]", i), "%g km/h at %g %% pedal, want less than the upshift's %g, or the gearbox hunts", s.Down[i].At(pedal), pedal, s.Up[i].At(pedal))
			}
		}
	}
	return nil
}
