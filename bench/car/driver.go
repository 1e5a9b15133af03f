package car

import (
	"fmt"
	"strconv"
)

// Key positions.
const (
	KeyOff = iota
	KeyAccessory
	KeyOn
	KeyStart
)

var keyNames = [...]string{KeyOff: "off", KeyAccessory: "accessory", KeyOn: "on", KeyStart: "start"}

// Driver is what hands and feet want; pedals follow at the speed of a foot.
type Driver struct {
	// Key is KeyOff .. KeyStart.
	Key int
	// Clutch, Accelerator and Brake are 0..1, 1 fully pressed.
	Clutch, Accelerator, Brake float64
	// Gear is 0 for neutral, -1 for reverse, 1 and up; a gear engages only with
	// the clutch pressed or everything at rest. Selector is the lever of an automatic
	// gearbox, SelectorP .. SelectorD; it leaves P only with the brake pressed.
	Gear, Selector int
	ParkingBrake   bool
	DoorOpen       bool
	// SteeringDeg is the steering wheel's angle, left positive.
	SteeringDeg float64
	// KeyCode is the number in the transponder of the key in the lock.
	KeyCode uint32
}

// SteeringSensor is the angle that the digital sensor at the steering column gives:
// that of the wheel, and how the sensor was fitted.
func (c *Car) SteeringSensor() float64 {
	return c.Driver.SteeringDeg + c.spec.Driveline.SteeringOffsetDeg
}

// steeringMostDeg is the wheel at its lock: a turn and a half each way (common
// practice).
const steeringMostDeg = 540

// Controls lists the names that Drive knows: a car has clutch and gear, or
// selector; one of units only has none of them. Signals of its own follow.
func (s *Spec) Controls() []string {
	list := []string{"key", "clutch", "accelerator", "brake", "gear", "parking_brake", "door_open", "steering"}
	switch {
	case s.UnitsOnly():
		list = []string{"key", "accelerator", "brake", "parking_brake", "door_open", "steering"}
	case s.Automatic():
		list = []string{"key", "accelerator", "brake", "selector", "parking_brake", "door_open", "steering"}
	}
	return append(list, s.ownControls()...)
}

// Drive sets one of the driver's controls: key (off, accessory, on, start),
// clutch, accelerator, brake (0..100 %), gear (-1..6), selector (P, R, N, D),
// parking_brake and door_open (true, false), steering (degrees at the wheel, left
// positive). The error says what was expected, or that the car has no such control.
func (c *Car) Drive(control, value string) error {
	d := &c.Driver
	if err := c.spec.lacks(control); err != nil {
		return err
	}
	switch control {
	case "key":
		for i, n := range keyNames {
			if n == value {
				d.Key = i
				return nil
			}
		}
		return fmt.Errorf("key %q, want one of %v", value, keyNames)
	case "clutch":
		return setPedal(&d.Clutch, control, value)
	case "accelerator":
		return setPedal(&d.Accelerator, control, value)
	case "brake":
		return setPedal(&d.Brake, control, value)
	case "gear":
		g, err := strconv.Atoi(value)
		if err != nil || g < -1 || g > len(c.spec.Driveline.Ratios) {
			return fmt.Errorf("gear %q, want -1 (reverse), 0 (neutral) or 1..%d", value, len(c.spec.Driveline.Ratios))
		}
		d.Gear = g
		return nil
	case "selector":
		for i, n := range selectorNames {
			if n == value {
				d.Selector = i
				return nil
			}
		}
		return fmt.Errorf("selector %q, want one of %v", value, selectorNames)
	case "parking_brake":
		return setBool(&d.ParkingBrake, control, value)
	case "door_open":
		return setBool(&d.DoorOpen, control, value)
	case "steering":
		v, err := strconv.ParseFloat(value, 64)
		if err != nil || !(v >= -steeringMostDeg && v <= steeringMostDeg) {
			return fmt.Errorf("steering %q, want -%d..%d (degrees at the wheel, left positive)", value, steeringMostDeg, steeringMostDeg)
		}
		d.SteeringDeg = v
		return nil
	}
	if known, err := c.moveOwn(control, value); known {
		return err
	}
	return fmt.Errorf("control %q, want one of %v", control, c.spec.Controls())
}

// lacks says which of the driver's controls a car has not.
func (s *Spec) lacks(control string) error {
	switch {
	case s.UnitsOnly() && (control == "clutch" || control == "gear" || control == "selector"):
		return fmt.Errorf("the car %s has no %s: it has no engine", s.Name, control)
	case s.Automatic() && (control == "clutch" || control == "gear"):
		return fmt.Errorf("the car %s has no %s: its gearbox is an automatic one, with a selector", s.Name, control)
	case !s.Automatic() && control == "selector":
		return fmt.Errorf("the car %s has no selector: its gearbox is a manual one, with clutch and gear", s.Name)
	}
	return nil
}

func setPedal(p *float64, control, value string) error {
	v, err := strconv.ParseFloat(value, 64)
	if err != nil || !(v >= 0 && v <= 100) {
		return fmt.Errorf("%s %q, want 0..100 (%% pressed)", control, value)
	}
	*p = v / 100
	return nil
}

func setBool(p *bool, control, value string) error {
	switch value {
	case "true":
		*p = true
	case "false":
		*p = false
	default:
		return fmt.Errorf("%s %q, want true or false", control, value)
	}
	return nil
}

// moveDriver lets the pedals follow the driver's will.
func (c *Car) moveDriver() {
	d, t := &c.Driver, c.Truth
	step := float64(c.spec.Driveline.PedalPctPerSec * h)
	follow := func(now, want float64) float64 {
		want = min(max(float64(want*100), 0), 100)
		return min(max(want, now-step), now+step)
	}
	c.clutchPct = follow(c.clutchPct, d.Clutch)
	c.acceleratorPct = follow(c.acceleratorPct, max(d.Accelerator, c.share100(partPedalRest)))
	c.brakePct = follow(c.brakePct, d.Brake)
	switch {
	case c.spec.UnitsOnly():
	case c.spec.Automatic():
		c.moveSelector()
	default:
		c.shift()
	}
	t.Set(c.at.Key, float64(d.Key))
	t.SetBool(c.at.KeyAccessory, d.Key >= KeyAccessory)
	t.SetBool(c.at.KeyOn, d.Key >= KeyOn)
	t.SetBool(c.at.KeyStart, d.Key == KeyStart)
	t.Set(c.at.Clutch, c.clutchPct)
	t.Set(c.at.Accelerator, c.acceleratorPct)
	t.Set(c.at.Brake, c.brakePct)
	t.SetBool(c.at.ParkingBrake, d.ParkingBrake)
	t.SetBool(c.at.Door, d.DoorOpen)
	t.Set(c.at.Steering, d.SteeringDeg)
}

// shift moves the lever. Neutral is always to be had; a gear goes in when the
// clutch carries nearly nothing, or when nothing turns.
func (c *Car) shift() {
	want := min(max(c.Driver.Gear, -1), len(c.spec.Driveline.Ratios))
	if want == c.gear {
		return
	}
	atRest := c.omega == 0 && c.speed == 0
	if want != 0 && !atRest && c.clutchHolds() > float64(0.05*c.spec.Driveline.ClutchNM) {
		want = 0 // it grates, and does not go in
	}
	c.gear = want
	c.ratio = c.ratioOf(want)
}

func (c *Car) ratioOf(gear int) float64 {
	d := &c.spec.Driveline
	switch {
	case gear == 0:
		return 0
	case gear < 0:
		return -float64(d.Reverse * d.Final)
	}
	return float64(d.Ratios[gear-1] * d.Final)
}
