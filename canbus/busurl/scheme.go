package busurl

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"sawhorse/canbus"
	"sawhorse/canbus/clock"
)

// scheme is one kind of bus. A file of this package registers each in its init.
type scheme struct {
	// name is the word before the colon, form how such URLs are written, and rank the
	// place in lists of forms.
	name, form string
	rank       int
	// physical says that there may be copper behind the target.
	physical bool
	// check reports why a target is none.
	check func(target string) error
	// host makes or takes the bus so that a whole car can stand on it.
	host func(loop *clock.Loop, target string, opt Options) (*Bus, error)
	// join is a node's place on a bus that is somebody else's, nil where there is no
	// such bus.
	join func(ctx context.Context, loop *clock.Loop, target string, opt Options) (*Bus, error)
	// dial is one node's view outside of any loop, nil likewise.
	dial func(target string, onState func(string)) (canbus.Conn, error)
}

// schemes are registered while the package is initialised and never change after.
var schemes []*scheme

func register(s *scheme) {
	schemes = append(schemes, s)
	slices.SortFunc(schemes, func(a, b *scheme) int { return cmp.Compare(a.rank, b.rank) })
}

// find is the scheme of a name; nil if there is none.
func find(name string) *scheme {
	for _, s := range schemes {
		if s.name == name {
			return s
		}
	}
	return nil
}

func all(*scheme) bool      { return true }
func shared(s *scheme) bool { return s.dial != nil }

// forms lists how URLs are written: "mem:, unix:PATH or can:IFACE".
func forms(want func(*scheme) bool) string {
	var list []string
	for _, s := range schemes {
		if want(s) {
			list = append(list, s.form)
		}
	}
	if n := len(list) - 1; n > 0 {
		return strings.Join(list[:n], ", ") + " or " + list[n]
	}
	return strings.Join(list, "")
}
