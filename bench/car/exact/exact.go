// Package exact holds the few functions a model needs whose results must be the
// same bits on every machine. The ones of package math may differ in the last
// place: some architectures have them in assembly, and a compiler may fuse a
// product and a sum into one rounding. Here every product is rounded on its own
// by an explicit conversion, which the language forbids to fuse (The Go
// Programming Language Specification, "Floating-point operators").
//
// Accuracy is about 1e-14 relative, far beyond what a model of an engine needs.
package exact

import "math"

const (
	ln2Hi = 6.93147180369123816490e-01 // the upper 32 bits of ln 2
	ln2Lo = 1.90821492927058770002e-10 // the rest
)

// expCoef are 1/13! .. 1/0!, for Horner's scheme.
var expCoef = [...]float64{
	1.0 / 6227020800, 1.0 / 479001600, 1.0 / 39916800, 1.0 / 3628800, 1.0 / 362880, 1.0 / 40320,
	1.0 / 5040, 1.0 / 720, 1.0 / 120, 1.0 / 24, 1.0 / 6, 0.5, 1, 1,
}

// Exp is e to the x. Beyond -700..700 it gives the value at that bound, so the
// result is always finite and above zero; not a number counts as 0.
func Exp(x float64) float64 {
	if x != x {
		x = 0
	}
	x = min(max(x, -700), 700)
	k := math.Floor(float64(x*(1/math.Ln2)) + 0.5)
	r := (x - float64(k*ln2Hi)) - float64(k*ln2Lo)
	p := expCoef[0]
	for _, c := range expCoef[1:] {
		p = float64(p*r) + c
	}
	return p * math.Float64frombits(uint64(1023+int(k))<<52)
}

// Log is the natural logarithm of x. It is made for the normal positive
// numbers; anything below gives the logarithm of the smallest of them.
func Log(x float64) float64 {
	const smallest = 0x1p-1022
	if !(x >= smallest) {
		x = smallest
	}
	b := math.Float64bits(x)
	e := int(b>>52) - 1023
	m := math.Float64frombits(b&(1<<52-1) | 1023<<52) // 1 <= m < 2
	if m > math.Sqrt2 {
		m *= 0.5
		e++
	}
	// ln m = 2 artanh s with s = (m-1)/(m+1), |s| < 0.172.
	s := (m - 1) / (m + 1)
	s2 := float64(s * s)
	p := logCoef[0]
	for _, c := range logCoef[1:] {
		p = float64(p*s2) + c
	}
	k := float64(e)
	return float64(k*ln2Hi) + (float64(2*s*p) + float64(k*ln2Lo))
}

// logCoef are 1/21, 1/19 .. 1/1, for Horner's scheme.
var logCoef = [...]float64{1.0 / 21, 1.0 / 19, 1.0 / 17, 1.0 / 15, 1.0 / 13, 1.0 / 11, 1.0 / 9, 1.0 / 7, 1.0 / 5, 1.0 / 3, 1}

// Pow is x to the y for x above zero.
func Pow(x, y float64) float64 { return Exp(y * Log(x)) }

// Sin is the sine of an angle given in whole turns, so that 0.25 gives 1.
func Sin(turns float64) float64 {
	t := turns - math.Floor(turns+0.5) // -0.5..0.5
	switch {
	case t > 0.25:
		t = 0.5 - t
	case t < -0.25:
		t = -0.5 - t
	}
	x := 2 * math.Pi * t
	x2 := float64(x * x)
	p := sinCoef[0]
	for _, c := range sinCoef[1:] {
		p = float64(p*x2) + c
	}
	return p * x
}

// sinCoef are the signed reciprocals of 17!, 15! .. 1!, for Horner's scheme.
var sinCoef = [...]float64{
	1.0 / 355687428096000, -1.0 / 1307674368000, 1.0 / 6227020800, -1.0 / 39916800, 1.0 / 362880, -1.0 / 5040, 1.0 / 120, -1.0 / 6, 1,
}

// Cos is the cosine of an angle given in whole turns.
func Cos(turns float64) float64 { return Sin(turns + 0.25) }
