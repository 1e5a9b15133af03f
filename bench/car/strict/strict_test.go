package strict_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car/strict"
)

type shape struct {
	Name   string
	Engine struct {
		BoreMM float64 `yaml:"bore_mm"`
	}
	List []struct{ Kind string }
}

func TestErrorsNameThePlaceAndTheExpected(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"unknown key", "name: a\nengine:\n  bores_mm: 3\n", `car.yaml:3:3: unknown field "bores_mm"`},
		{"wrong type", "name: a\nengine:\n  bore_mm: wide\n", `car.yaml:3:12: bore_mm is "wide", want a finite number`},
		{"key twice", "name: a\nname: b\n", "car.yaml:2:1: mapping key \"name\" already defined"},
		{"broken", "name: [a\n", "car.yaml:1:"},
		{"empty", "", "car.yaml:1:1: "},
		{"only a comment", "# nothing\n", "car.yaml:1:1: "},
		{"two documents", "name: a\n---\nname: b\n", "car.yaml:1:1: 2 YAML documents"},
		{"too long", strings.Repeat("#", strict.MaxSize+1), "at most 1048576"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var s shape
			_, err := strict.Read("car.yaml", []byte(c.in), &s)
			require.Error(t, err)
			assert.Contains(t, err.Error(), c.want)
			assert.NotContains(t, err.Error(), "\n")
		})
	}
}

func TestARangeErrorPointsAtTheValue(t *testing.T) {
	var s shape
	d, err := strict.Read("car.yaml", []byte("name: a\nengine:\n  bore_mm: 3\nlist:\n  - kind: x\n  - kind: y\n"), &s)
	require.NoError(t, err)
	err = d.Ranges(strict.Number{Path: "$.engine.bore_mm", Value: s.Engine.BoreMM, Lo: 50, Hi: 120, Unit: "mm"})
	assert.EqualError(t, err, "car.yaml:3:12: engine.bore_mm: 3, want 50..120 mm")
	err = d.Word("$.list[1].kind", s.List[1].Kind, "x", "z")
	assert.EqualError(t, err, `car.yaml:6:11: list[1].kind: "y", want one of x, z`)
	err = d.Errorf("$.list[0].missing", "missing")
	assert.EqualError(t, err, "car.yaml:5:5: list[0].missing: missing")
}
