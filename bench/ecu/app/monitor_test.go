package app

import (
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// No monitor is without a code of SAE J2012's form, none has that of another.
func TestMonitorsAreOneEntryEach(t *testing.T) {
	form := regexp.MustCompile(`^[PCBU][0-3][0-9A-F]{3}$`)
	for _, monitors := range []any{engineMonitors{}, brakeMonitors{}, bodyMonitors{}, gearboxMonitors{}} {
		seen, typ := map[string]string{}, reflect.TypeOf(monitors)
		for i := range typ.NumField() {
			f := typ.Field(i)
			for _, code := range strings.Fields(f.Tag.Get("code")) {
				assert.Regexp(t, form, code, "%s.%s", typ, f.Name)
				assert.Empty(t, seen[code], "%s of %s.%s", code, typ, f.Name)
				seen[code] = f.Name
			}
		}
		assert.NotPanics(t, func() { declareMonitors(reflect.New(typ).Interface(), nil) }, typ)
	}
}

func TestAMonitorWithoutACodeForEachPlacePanics(t *testing.T) {
	assert.Panics(t, func() {
		declareMonitors(&struct {
			Lean [2]monitor `code:"P0171"`
		}{}, nil)
	})
	assert.Panics(t, func() { declareMonitors(&struct{ A monitor }{}, nil) })
}
