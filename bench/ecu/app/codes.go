package app

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"sawhorse/bench/car"
	"sawhorse/bench/ecu/program"
)

// Codes is an ECU's trouble code memory as its monitors see it. One that also
// has a method MIL() bool lights the lamp; one with AskLamp() reports a lamp that the
// program lights itself.
type Codes interface {
	// Ref finds a code such as P0335; false if the ECU does not know it.
	Ref(code string) (ref int, ok bool)
	// Test hands in one sample of one monitor. Debouncing and the life of the
	// code are the memory's.
	Test(ref int, now time.Duration, failed bool)
}

// NV is an ECU's non-volatile memory as its program sees it.
type NV interface {
	Get(name string) (float64, bool)
}

// Learned is one value that a car which left the works has in an ECU's memory.
type Learned struct {
	ECU    string  `yaml:"ecu"`
	Value  string  `yaml:"value"`
	Number float64 `yaml:"number"`
}

// LearnedValues lists what the ECUs of a finished car have learned. Put it into
// their memories before a run; a fresh ECU is one without.
func LearnedValues(spec *car.Spec) ([]Learned, error) {
	if spec.Calibration == "" {
		return nil, nil
	}
	cal, err := loadCalibration(spec)
	if err != nil {
		return nil, err
	}
	return cal.Learned, nil
}

// CheckLearned checks that what a finished car has learned is kept by the programs of its
// units, which are given by their names.
func CheckLearned(spec *car.Spec, units map[string]program.Names) error {
	if spec.Calibration == "" {
		return nil
	}
	cal, err := loadCalibration(spec)
	if err != nil {
		return err
	}
	for i, l := range cal.Learned {
		at := fmt.Sprintf("$.learned[%d]", i)
		n, ok := units[l.ECU]
		if !ok {
			return cal.doc.Unknown(at+".ecu", l.ECU, "unit of the car", slices.Sorted(maps.Keys(units)))
		}
		if !slices.Contains(n.Memory, l.Value) {
			return cal.doc.Unknown(at+".value", l.Value, "value that the program of the unit "+l.ECU+" keeps", n.Memory)
		}
	}
	return nil
}

// monitor hands samples of one code to the code memory.
type monitor struct {
	code  string
	codes Codes
	ref   int
	ok    bool // the memory knows the code
}

// newMonitor makes the monitor of a code; one that the memory does not know is not
// tested.
func newMonitor(codes Codes, code string) monitor {
	m := monitor{code: code, codes: codes}
	if codes != nil {
		m.ref, m.ok = codes.Ref(code)
	}
	return m
}

func (m *monitor) test(now time.Duration, failed bool) {
	if m.ok {
		m.codes.Test(m.ref, now, failed)
	}
}

// declareMonitors makes the monitors of the struct behind monitors. A field is a monitor
// with its code as the tag code, or an array with a code for each of its places, so that
// a monitor is one entry. It panics on any other field, a mistake in the program.
func declareMonitors(monitors any, codes Codes) {
	v := reflect.ValueOf(monitors).Elem()
	for i := range v.NumField() {
		f, places := v.Type().Field(i), []reflect.Value{v.Field(i)}
		if f.Type.Kind() == reflect.Array {
			places = nil
			for k := range f.Type.Len() {
				places = append(places, v.Field(i).Index(k))
			}
		}
		names := strings.Fields(f.Tag.Get("code"))
		if len(names) != len(places) {
			panic(fmt.Sprintf("app: %s.%s has %d codes, want %d in the tag code", v.Type(), f.Name, len(names), len(places)))
		}
		for k, p := range places {
			*p.Addr().Interface().(*monitor) = newMonitor(codes, names[k])
		}
	}
}

// lamp is what the memory wants of the lamp.
func lampOf(codes Codes) func() bool {
	if l, ok := codes.(interface{ MIL() bool }); ok {
		return l.MIL
	}
	return func() bool { return false }
}

// askerOf is how a program lights the lamp without a code.
func askerOf(codes Codes) func() {
	if l, ok := codes.(interface{ AskLamp() }); ok {
		return l.AskLamp
	}
	return func() {}
}
