package exact

import "fmt"

// Curve is a function given by points [x, y] with x rising, straight between
// them and level outside.
type Curve [][2]float64

// Check says what is wrong with the points: nil for at least one point, x
// strictly rising, everything within lo..hi in y.
func (c Curve) Check(lo, hi float64) error {
	if len(c) == 0 {
		return fmt.Errorf("no points, want at least one [x, y]")
	}
	for i, p := range c {
		if p[0] != p[0] || (i > 0 && !(p[0] > c[i-1][0])) {
			return fmt.Errorf("point %d has x %g, want x rising from point to point", i+1, p[0])
		}
		if !(p[1] >= lo && p[1] <= hi) {
			return fmt.Errorf("point %d has y %g, want %g..%g", i+1, p[1], lo, hi)
		}
	}
	return nil
}

// At is the value at x. An empty curve is 0 everywhere.
func (c Curve) At(x float64) float64 {
	n := len(c)
	if n == 0 {
		return 0
	}
	if !(x > c[0][0]) {
		return c[0][1]
	}
	for i := 1; i < n; i++ {
		if x < c[i][0] {
			a, b := &c[i-1], &c[i]
			f := (x - a[0]) / (b[0] - a[0])
			return a[1] + float64(f*(b[1]-a[1]))
		}
	}
	return c[n-1][1]
}
