package server

import (
	"slices"

	"sawhorse/canbus/uds"
)

// overrule looks at the answer that a request would have and refuses it instead; ok is
// false where it has no opinion.
type overrule struct {
	fn func(answer []byte) (why uds.NRC, ok bool)
}

// Refuse has fn look at the answer of every request before it is carried out; what fn
// refuses is not done, as with any refusal. ok is false where it has no opinion; of several
// the first with one counts. remove ends it.
func (s *Server) Refuse(fn func(answer []byte) (why uds.NRC, ok bool)) (remove func()) {
	o := &overrule{fn}
	s.overrules = append(s.overrules, o)
	return func() {
		s.overrules = slices.DeleteFunc(slices.Clone(s.overrules), func(x *overrule) bool { return x == o })
	}
}

// overrule refuses a request that a fault of the unit has it refuse.
func (s *Server) overrule(req []byte, r *reply) {
	if r.silent {
		return
	}
	given := r.answer
	if r.refusal != 0 {
		given = uds.Refuse(uds.Service(req[0]), r.refusal)
	}
	for _, o := range s.overrules {
		if why, ok := o.fn(given); ok {
			*r = refused(why)
			return
		}
	}
}
