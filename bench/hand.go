package bench

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"sawhorse/bench/api"
	"sawhorse/bench/judge"
	"sawhorse/bench/judge/cel"
)

// Hand is a person's hand on a bench: what the API does to it (api.Hand). All methods
// belong to the loop.
type Hand struct {
	bench *Bench
	// folder is where recordings go, "" for nowhere.
	folder    string
	recording *Capture
}

// Hand attaches a hand. What it does is observed, so that a judge and a trace see it.
func (b *Bench) Hand() *Hand { return &Hand{bench: b} }

// RecordInto names the folder of the recordings that the hand begins.
func (h *Hand) RecordInto(folder string) { h.folder = folder }

// Car implements api.Hand. Without a car the numbers are those of a bridge.
func (h *Hand) Car() (time.Duration, map[string]any) {
	b := h.bench
	signals := map[string]any{}
	if b.bridge != nil {
		there, back := b.Crossed()
		signals["passed_near_to_far"], signals["passed_far_to_near"] = there.Passed, back.Passed
		signals["lost_near_to_far"], signals["lost_far_to_near"] = there.Lost, back.Lost
		signals["added_p50_s"], signals["added_p99_s"] = there.P50.Seconds(), there.P99.Seconds()
	}
	if b.Car == nil {
		return b.Loop.Now(), signals
	}
	truth := b.Car.Truth
	for _, i := range truth.Infos() {
		ref, _ := truth.Lookup(i.Name)
		switch {
		case i.Unit == "bool":
			signals[i.Name] = truth.Is(ref)
		case i.Name == "key":
			signals[i.Name] = keyWord(int(truth.Get(ref)))
		default:
			signals[i.Name] = truth.Get(ref)
		}
	}
	return b.Loop.Now(), signals
}

func keyWord(k int) string {
	words := cel.KeyPositions()
	if k < 0 || k >= len(words) {
		return strconv.Itoa(k)
	}
	return words[k]
}

var errNoCar = errors.New("there is no car here, only the bus")

// Drive implements api.Hand: first all controls are tried, then all are set.
func (h *Hand) Drive(controls map[string]any) error {
	b := h.bench
	if b.Car == nil {
		return errNoCar
	}
	names := make([]string, 0, len(controls))
	for name := range controls {
		names = append(names, name)
	}
	slices.Sort(names)
	before := b.Car.Driver
	for _, name := range names {
		if err := b.Car.Drive(name, word(controls[name])); err != nil {
			b.Car.Driver = before
			return err
		}
	}
	for _, name := range names {
		b.moved(name, word(controls[name]))
	}
	return nil
}

// moved tells of a move of the driver.
func (b *Bench) moved(control, value string) {
	o := b.Saw(judge.Driver)
	o.Control, o.Text = control, control+" "+value
	b.Observe(&o)
}

// word writes a JSON value as the car's controls take it.
func word(v any) string {
	if f, ok := v.(float64); ok {
		return strconv.FormatFloat(f, 'g', -1, 64)
	}
	return fmt.Sprint(v)
}

// Faults implements api.Hand.
func (h *Hand) Faults() []api.FaultState { return h.bench.faults.states() }

// SetFault implements api.Hand. A fault that is on and comes again with other
// parameters changes to them.
func (h *Hand) SetFault(id string, on bool, params map[string]any) error {
	board := h.bench.faults
	if _, err := board.entry(id); err != nil {
		return err
	}
	var next *faultHandle
	if on {
		var err error
		if next, err = board.add(id, params); err != nil {
			return err
		}
	}
	if err := board.retire(id, next); err != nil {
		return err
	}
	if next != nil {
		return next.set(true)
	}
	return nil
}
