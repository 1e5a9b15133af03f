package signal

import (
	"fmt"
	"reflect"
)

// Declare adds a signal for each field of the struct that refs points to, in the
// order of the fields, and stores its place there. A field is a Ref with the tags
// name, unit and text, so that a signal is one entry and no order ties two lists
// together:
//
//	type refs struct {
//		RPM signal.Ref `name:"engine_rpm" unit:"rev/min" text:"engine speed"`
//	}
//
// A field of another type, without name or text, or with the name of another, is a
// mistake in the program, so it panics.
func (t *Table) Declare(refs any) {
	v := reflect.ValueOf(refs).Elem()
	for i := range v.NumField() {
		f := v.Type().Field(i)
		name, text := f.Tag.Get("name"), f.Tag.Get("text")
		if f.Type != reflect.TypeFor[Ref]() || name == "" || text == "" {
			panic(fmt.Sprintf("signal: %s.%s, want a Ref with the tags name and text", v.Type(), f.Name))
		}
		v.Field(i).SetInt(int64(t.Define(name, f.Tag.Get("unit"), text)))
	}
}
