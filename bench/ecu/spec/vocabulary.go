package spec

// Vocabulary is what a description may name of the server that carries it out. The
// server makes it from what it registers.
type Vocabulary struct {
	// Services are those of UDS, in the order of their identifiers.
	Services []ServiceKind
	// Slow are the services whose work may take its time.
	Slow []uint8
	// States are the values that server and code memory keep themselves, and their
	// length in bytes.
	States map[string]int
}

// ServiceKind is one service as the server has it.
type ServiceKind struct {
	ID uint8
	// Subs are the sub-functions that a unit can have; nil for a service without.
	Subs func(u *Unit) []uint8
	// Session marks what no unit has in its default session.
	Session bool
}

// service finds a service of UDS by its identifier.
func (v *Vocabulary) service(id uint8) *ServiceKind {
	for i := range v.Services {
		if v.Services[i].ID == id {
			return &v.Services[i]
		}
	}
	return nil
}

// subs lists the sub-functions of a service as a unit can have them.
func (v *Vocabulary) subs(u *Unit, id uint8) []uint8 {
	k := v.service(id)
	if k == nil || k.Subs == nil {
		return nil
	}
	return k.Subs(u)
}

func (v *Vocabulary) ids() []uint8 {
	var ids []uint8
	for i := range v.Services {
		ids = append(ids, v.Services[i].ID)
	}
	return ids
}

// Size is the length of fields together.
func (v *Vocabulary) Size(fs []Field) int {
	n := 0
	for i := range fs {
		n += fs[i].Size(v.States)
	}
	return n
}
