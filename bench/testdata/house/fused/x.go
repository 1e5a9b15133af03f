// Package fused breaks a rule of the house on purpose.
package fused

// Line is fused where the language allows it.
func Line(a, x, b float64) float64 {
	return a*x + b // broken
}

// Rounded is not.
func Rounded(a, x, b float64) float64 { return float64(a*x) + b }
