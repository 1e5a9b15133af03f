package dbc

import "slices"

// names finds a signal's place by its name: a table that one number taken from the name
// leads into, so that a look-up compares one string. It is empty for a message that was
// not loaded.
type names struct {
	factor uint32
	shift  uint8 // leaves the upper bits of a product, in which all of a name counts
	table  []named
}

// named is a signal's name and its place, -1 of a place that is nobody's.
type named struct {
	name  string
	place int
}

// mostFactors is how many tables are tried before the names are compared one by one.
const mostFactors = 64

func newNames(signals []*Signal) names {
	size, shift := 4, uint8(30)
	for size < 4*len(signals) {
		size, shift = 2*size, shift-1
	}
	for factor := uint32(1); factor < 2*mostFactors; factor += 2 {
		n := names{factor: factor * 0x9E3779B1, shift: shift, table: slices.Repeat([]named{{place: -1}}, size)}
		if n.fill(signals) {
			return n
		}
	}
	return names{}
}

// fill enters all signals, of several with one name the first; false if two of different
// names meet.
func (n *names) fill(signals []*Signal) bool {
	for i, s := range signals {
		e := &n.table[n.slot(s.Name)]
		switch {
		case s.Name == "":
			return false
		case e.name == "":
			*e = named{s.Name, i}
		case e.name != s.Name:
			return false
		}
	}
	return true
}

// slot is where a name would be: by its length and four of its bytes, most of them from
// its end, as names of one message often begin alike.
func (n *names) slot(name string) uint32 {
	k := len(name)
	if k == 0 {
		return 0
	}
	h := uint32(name[0]) | uint32(name[k/2])<<8 | uint32(name[3*k/4])<<16 | uint32(name[k-1])<<24
	return (h + uint32(k)) * n.factor >> n.shift
}

// find gives the place, -1 if there is none of that name. Without a table the signals
// tell.
func (n *names) find(name string, signals []*Signal) int {
	if len(n.table) > 0 {
		if e := &n.table[n.slot(name)&uint32(len(n.table)-1)]; e.name == name {
			return e.place
		}
		return -1
	}
	return slices.IndexFunc(signals, func(s *Signal) bool { return s.Name == name })
}
