package spec

import (
	"fmt"
	"slices"

	"sawhorse/canbus/uds"
)

// checker collects the first thing wrong with a spec.
type checker struct {
	u   *Unit
	v   *Vocabulary
	err error
}

// want notes the problem unless ok; the path is that of the value meant.
func (c *checker) want(ok bool, path, format string, args ...any) {
	if !ok && c.err == nil {
		c.err = c.u.doc.Errorf(path, format, args...)
	}
}

// in checks a list of session names.
func (c *checker) in(path string, names []string) {
	for i, n := range names {
		c.want(c.u.Session(n) != nil, fmt.Sprintf("%s[%d]", path, i), "%q is no session of the unit, want one of %v", n, c.sessionNames())
	}
}

// inDefault reports whether a list of sessions has the default session in it: the first of
// the unit, and all when none is named.
func (c *checker) inDefault(names []string) bool {
	return len(names) == 0 || len(c.u.Sessions) > 0 && slices.Contains(names, c.u.Sessions[0].Session)
}

func (c *checker) sessionNames() []string {
	var names []string
	for i := range c.u.Sessions {
		names = append(names, c.u.Sessions[i].Session)
	}
	return names
}

func (c *checker) level(path string, level uint8) {
	ok := level == 0 || slices.ContainsFunc(c.u.Security, func(x Security) bool { return x.Level == level })
	c.want(ok, path, "%d is no security level of the unit", level)
}

// condition checks one comparison; needs also wants a negative response.
func (c *checker) condition(path string, x Condition) {
	if x.Stored != "" {
		c.want(x.Signal == "" && x.Is == nil && x.Below == nil && x.Above == nil && x.AtLeast == nil && x.AtMost == nil, path+".stored",
			"beside a reading, want one or the other")
		return
	}
	c.want(x.Signal != "", path+".signal", "no reading, want the name of one")
	limits := x.Is != nil || x.Below != nil || x.Above != nil || x.AtLeast != nil || x.AtMost != nil
	c.want(limits, path, "no limit, want one of is, below, above, at_least, at_most")
}

func (c *checker) needs(path string, xs []Condition) {
	for i := range xs {
		p := fmt.Sprintf("%s[%d]", path, i)
		c.condition(p, xs[i])
		n := xs[i].NRC
		c.want(uds.NRC(n).IsCondition(), p+".nrc", "%#02x, want 0x22 or 0x81 to 0x94 (ISO 14229-1 annex A)", n)
	}
}

// holds checks conditions that end a routine: each needs its own reason.
func (c *checker) holds(path string, xs []Condition) {
	for i := range xs {
		p := fmt.Sprintf("%s[%d]", path, i)
		c.condition(p, xs[i])
		c.want(xs[i].Reason > 0 && xs[i].Reason < OwnReasons, p+".reason", "%#02x, want 0x01 to 0xef", xs[i].Reason)
		c.want(xs[i].Says != "", p+".says", "missing, want the reason in words")
	}
}
