package cel

import (
	"testing"

	"sawhorse/bench/signal"
)

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
	s := NewScope(table)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.Holds(s); err != nil {
			b.Fatal(err)
		}
	}
}
