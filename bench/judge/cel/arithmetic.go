package cel

import (
	"math"

	"github.com/google/cel-go/common/operators"
)

// orders are the comparisons that need an order, by what they accept of less, equal and
// greater.
var orders = map[string][3]bool{
	operators.Less:          {true, false, false},
	operators.LessEquals:    {true, true, false},
	operators.Greater:       {false, false, true},
	operators.GreaterEquals: {false, true, true},
}

// doubles are the operations of two numbers with a point. Numbers of IEEE 754 divide by
// zero without an error; what is no number equals nothing, and is on no side of anything.
func doubles(name string, left, right code) (code, bool) {
	if o, ok := orders[name]; ok {
		return code{logic: ordered(left, right, o)}, true
	}
	a, b := left.double, right.double
	switch name {
	case operators.Equals, operators.NotEquals:
		same := name == operators.Equals
		return code{logic: func(s *Scope) truth {
			x, ok := a(s)
			y, ok2 := b(s)
			if !ok || !ok2 {
				return failed
			}
			return truthOf((x == y) == same)
		}}, true
	}
	var op func(x, y float64) float64
	switch name {
	case operators.Add:
		op = func(x, y float64) float64 { return x + y }
	case operators.Subtract:
		op = func(x, y float64) float64 { return x - y }
	case operators.Multiply:
		op = func(x, y float64) float64 { return x * y }
	case operators.Divide:
		op = func(x, y float64) float64 { return x / y }
	default:
		return code{}, false
	}
	return code{double: func(s *Scope) (float64, bool) {
		x, ok := a(s)
		y, ok2 := b(s)
		return op(x, y), ok && ok2
	}}, true
}

func ordered(left, right code, accept [3]bool) func(*Scope) truth {
	less, equal, greater := truthOf(accept[0]), truthOf(accept[1]), truthOf(accept[2])
	if left.place != nil && right.constant != nil { // by far the most frequent
		r, k := *left.place, *right.constant
		return func(s *Scope) truth {
			switch x := s.table.Get(r); {
			case x < k:
				return less
			case x > k:
				return greater
			case x == k:
				return equal
			}
			return no
		}
	}
	a, b := asDouble(left), asDouble(right)
	return func(s *Scope) truth {
		x, ok := a(s)
		y, ok2 := b(s)
		switch {
		case !ok || !ok2:
			return failed
		case x < y:
			return less
		case x > y:
			return greater
		case x == y:
			return equal
		}
		return no // one of them is no number
	}
}

// mixed compares a number with a point and a whole one, as CEL does: the whole one
// becomes one with a point. There is no arithmetic of the two, and no equality.
func mixed(name string, a, b code) (code, bool) {
	o, ok := orders[name]
	if !ok {
		return code{}, false
	}
	return code{logic: ordered(a, b, o)}, true
}

// wholes are the operations of two whole numbers. What leaves the 64 bits is an error,
// and so is a division by zero.
func wholes(name string, a, b func(*Scope) (int64, bool)) (code, bool) {
	if accept, ok := orders[name]; ok {
		less, equal, greater := truthOf(accept[0]), truthOf(accept[1]), truthOf(accept[2])
		return code{logic: func(s *Scope) truth {
			x, ok := a(s)
			y, ok2 := b(s)
			switch {
			case !ok || !ok2:
				return failed
			case x < y:
				return less
			case x > y:
				return greater
			}
			return equal
		}}, true
	}
	var op func(x, y int64) (int64, bool)
	switch name {
	case operators.Equals, operators.NotEquals:
		same := name == operators.Equals
		return code{logic: func(s *Scope) truth {
			x, ok := a(s)
			y, ok2 := b(s)
			if !ok || !ok2 {
				return failed
			}
			return truthOf((x == y) == same)
		}}, true
	case operators.Add:
		op = add
	case operators.Subtract:
		op = subtract
	case operators.Multiply:
		op = multiply
	case operators.Divide:
		op = func(x, y int64) (int64, bool) {
			if y == 0 || x == math.MinInt64 && y == -1 {
				return 0, false
			}
			return x / y, true
		}
	case operators.Modulo:
		op = func(x, y int64) (int64, bool) {
			if y == 0 || x == math.MinInt64 && y == -1 {
				return 0, false
			}
			return x % y, true
		}
	default:
		return code{}, false
	}
	return code{whole: func(s *Scope) (int64, bool) {
		x, ok := a(s)
		y, ok2 := b(s)
		if !ok || !ok2 {
			return 0, false
		}
		return op(x, y)
	}}, true
}

func add(x, y int64) (int64, bool) {
	z := x + y
	return z, (z > x) == (y > 0)
}

func subtract(x, y int64) (int64, bool) {
	z := x - y
	return z, (z < x) == (y > 0)
}

func multiply(x, y int64) (int64, bool) {
	if x == 0 || y == 0 {
		return 0, true
	}
	z := x * y
	if x == -1 && y == math.MinInt64 || y == -1 && x == math.MinInt64 {
		return 0, false
	}
	return z, z/y == x
}
