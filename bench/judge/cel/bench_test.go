package cel

import (
	"testing"

	"sawhorse/bench/signal"
)

// A condition by its closure, and by CEL's interpreter.
func BenchmarkCondition(b *testing.B) {
	table := new(signal.Table)
	table.Define("engine_rpm", "rev/min", "")
	table.Define("coolant_c", "degC", "")
	table.Define("clutch", "bool", "")
	lang, err := NewLanguage(table.Infos())
	if err != nil {
		b.Fatal(err)
	}
	c, errs := lang.Compile("engine_rpm > 3000.0 && coolant_c > 90.0 && clutch")
	if len(errs) > 0 {
		b.Fatal(errs[0])
	}
	table.Set(0, 3500)
	table.Set(1, 95)
	table.SetBool(2, true)
	s := NewScope(table)
	closure := c.closure
	for _, by := range []struct {
		name    string
		closure func(*Scope) truth
	}{{"closure", closure}, {"interpreter", nil}} {
		b.Run(by.name, func(b *testing.B) {
			c.closure = by.closure
			b.ReportAllocs()
			for b.Loop() {
				if ok, err := c.Holds(s); err != nil || !ok {
					b.Fatal(ok, err)
				}
			}
		})
	}
}
