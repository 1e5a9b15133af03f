package exact_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"sawhorse/bench/car/exact"
)

// The standard library is the reference: equal within 1e-13 relative.
func TestAgreesWithTheStandardLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-600, 600).Draw(t, "x")
		assert.InEpsilon(t, math.Exp(x), exact.Exp(x), 1e-13)
		p := rapid.Float64Range(1e-300, 1e300).Draw(t, "p")
		assert.InDelta(t, math.Log(p), exact.Log(p), 1e-13*max(1, math.Abs(math.Log(p))))
		turns := rapid.Float64Range(-100, 100).Draw(t, "turns")
		assert.InDelta(t, math.Sin(2*math.Pi*turns), exact.Sin(turns), 1e-12)
		assert.InDelta(t, math.Cos(2*math.Pi*turns), exact.Cos(turns), 1e-12)
		b, y := rapid.Float64Range(0.01, 100).Draw(t, "b"), rapid.Float64Range(-5, 5).Draw(t, "y")
		assert.InEpsilon(t, math.Pow(b, y), exact.Pow(b, y), 1e-12)
	})
}

func TestStaysFiniteOutsideItsRange(t *testing.T) {
	for _, x := range []float64{math.Inf(1), math.Inf(-1), math.NaN(), 1e308, -1e308} {
		e := exact.Exp(x)
		assert.False(t, math.IsInf(e, 0) || math.IsNaN(e), "Exp(%g) = %g", x, e)
	}
	for _, x := range []float64{0, -1, math.NaN(), 5e-324} {
		assert.InDelta(t, -708.396, exact.Log(x), 0.001)
	}
}

func TestCurve(t *testing.T) {
	c := exact.Curve{{0, 1}, {10, 3}, {20, 2}}
	require.NoError(t, c.Check(0, 5))
	for x, y := range map[float64]float64{-5: 1, 0: 1, 5: 2, 10: 3, 15: 2.5, 20: 2, 99: 2} {
		assert.InDelta(t, y, c.At(x), 1e-12, "at %g", x)
	}
	assert.Zero(t, exact.Curve{}.At(3))
	assert.ErrorContains(t, exact.Curve{}.Check(0, 1), "at least one")
	assert.ErrorContains(t, exact.Curve{{1, 0}, {1, 0}}.Check(0, 1), "rising")
	assert.ErrorContains(t, exact.Curve{{1, 7}}.Check(0, 1), "want 0..1")
}
