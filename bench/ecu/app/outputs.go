package app

import (
	"slices"
	"strconv"
	"strings"

	"sawhorse/bench/car"
)

// held is one output that the diagnostic server holds at a value.
type held struct {
	name  string
	value float64
}

// engineOutputs are what a tool may command: throttle_motor 0 lets the springs have the
// plate, throttle and purge are in %, security_lamp is what the body ECU is told, which
// lights it, and an injector at 0 is kept shut.
func engineOutputs(cylinders int) []string {
	list := []string{"fan", "fuel_pump", "throttle_motor", "throttle", "purge", "vent", "security_lamp", "mil", "alternator", "lambda_heaters"}
	for k := range cylinders {
		list = append(list, "injector_"+strconv.Itoa(k+1))
	}
	return list
}

// Control has the program hold an output at a value until it is given back.
func (e *Engine) Control(name string, value float64, active bool) {
	i := slices.IndexFunc(e.held, func(h held) bool { return h.name == name })
	switch {
	case active && i >= 0:
		e.held[i].value = value
	case active:
		e.held = append(e.held, held{name, value})
	case i >= 0:
		e.held = slices.Delete(e.held, i, i+1)
	}
}

// holds reports whether the server holds an output.
func (e *Engine) holds(name string) bool {
	return slices.ContainsFunc(e.held, func(h held) bool { return h.name == name })
}

// Boot says that only the boot program runs: nothing is driven, nothing is sent.
func (e *Engine) Boot(on bool) { e.boot = on }

// obey lets what the server holds count before what the program wants.
func (e *Engine) obey() {
	a := &e.car.Actuators
	for _, h := range e.held {
		on := h.value != 0
		switch h.name {
		case "fan":
			a.Fan = on
		case "fuel_pump":
			a.FuelPump = on
		case "throttle_motor":
			a.Throttle = a.Throttle && on
		case "throttle":
			a.ThrottlePct, e.idle.throttle = h.value, h.value
		case "purge":
			a.PurgePct = h.value
		case "vent":
			a.VentClosed = on
		case "security_lamp":
			e.locked = on
		case "mil":
			a.MIL = on
		case "alternator":
			a.Charge = on
		case "lambda_heaters":
			a.LambdaHeaters = on
		default:
			if k, err := strconv.Atoi(strings.TrimPrefix(h.name, "injector_")); err == nil && k >= 1 && k <= e.cal.Cylinders && !on {
				a.InjectorOff |= 1 << (k - 1)
			}
		}
	}
	if e.boot {
		*a = car.Actuators{SecurityLamp: a.SecurityLamp}
	}
}
