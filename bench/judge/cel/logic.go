package cel

import (
	"strings"

	"github.com/google/cel-go/common/operators"
)

// logical has CEL's and and or: what one side says for certain does not hang on an
// error of the other.
func logical(name string, a, b func(*Scope) truth) (code, bool) {
	switch name {
	case operators.LogicalAnd:
		return code{logic: func(s *Scope) truth {
			x := a(s)
			if x == no {
				return no
			}
			if y := b(s); y != yes {
				return y
			}
			return x
		}}, true
	case operators.LogicalOr:
		return code{logic: func(s *Scope) truth {
			x := a(s)
			if x == yes {
				return yes
			}
			if y := b(s); y != no {
				return y
			}
			return x
		}}, true
	case operators.Equals, operators.NotEquals:
		same := name == operators.Equals
		return code{logic: func(s *Scope) truth {
			x, y := a(s), b(s)
			if x == failed || y == failed {
				return failed
			}
			return truthOf((x == y) == same)
		}}, true
	}
	return code{}, false
}

func texts(name string, a, b func(*Scope) (string, bool)) (code, bool) {
	var test func(x, y string) bool
	switch name {
	case operators.Equals:
		test = func(x, y string) bool { return x == y }
	case operators.NotEquals:
		test = func(x, y string) bool { return x != y }
	case "startsWith":
		test = strings.HasPrefix
	case "endsWith":
		test = strings.HasSuffix
	case "contains":
		test = strings.Contains
	default:
		return code{}, false
	}
	return code{logic: func(s *Scope) truth {
		x, ok := a(s)
		y, ok2 := b(s)
		if !ok || !ok2 {
			return failed
		}
		return truthOf(test(x, y))
	}}, true
}

// choice is a ? b : c; only the side that is taken is evaluated.
func choice(cond func(*Scope) truth, a, b code) (code, bool) {
	switch {
	case cond == nil:
	case a.logic != nil && b.logic != nil:
		return code{logic: func(s *Scope) truth {
			switch cond(s) {
			case yes:
				return a.logic(s)
			case no:
				return b.logic(s)
			}
			return failed
		}}, true
	case a.double != nil && b.double != nil:
		return code{double: func(s *Scope) (float64, bool) {
			switch cond(s) {
			case yes:
				return a.double(s)
			case no:
				return b.double(s)
			}
			return 0, false
		}}, true
	case a.whole != nil && b.whole != nil:
		return code{whole: func(s *Scope) (int64, bool) {
			switch cond(s) {
			case yes:
				return a.whole(s)
			case no:
				return b.whole(s)
			}
			return 0, false
		}}, true
	}
	return code{}, false
}

func among[T comparable](list []T, v T, ok bool) truth {
	if !ok {
		return failed
	}
	for _, x := range list {
		if x == v {
			return yes
		}
	}
	return no
}
