package fault

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"sawhorse/canbus"
	"sawhorse/canbus/replay"
)

// act is one thing that a fault does. Each kind is a file, which registers it.
type act interface {
	// scope says where it acts and what it can do to the conversation on the bus.
	// What is held against a tool hangs on it. Without parameters it is the widest.
	scope(Params) Scope
	// terms are what the catalogue must say of it.
	terms() terms
	// check reports what the target lacks.
	check(t *Target, p Params) error
	// free reports what another fault has done to the same thing.
	free(t *Target, p Params) error
	// on brings it about. undo mends it; nil for what does not mend by itself.
	on(t *Target, p Params) (undo func(), err error)
}

// named is an act that tells its fault's name with what it does.
type named interface{ call(fault string) }

// remark is the name of an act's fault.
type remark struct{ name string }

func (r *remark) call(fault string) { r.name = fault }

// Scope is how far an act goes.
type Scope struct {
	Where Where
	Reach Reach
}

// Where is the thing that an act is done to.
type Where uint8

// The places of acts.
const (
	// InCar is a part, a wire or a memory of the car.
	InCar Where = iota + 1
	// AtPlug is the tool's connection.
	AtPlug
	// OnNetwork is the bus with the units on it.
	OnNetwork
	// InFrames are frames that pass: it can be between any two buses.
	InFrames
)

// Reach is what an act can do to the conversation on the bus: any of these together.
type Reach uint16

// What an act can do.
const (
	// CarOnly leaves the conversation to the units: they tell what is.
	CarOnly Reach = 1 << iota
	// Loses takes frames away that a node has sent, Adds brings frames that no node
	// meant to send, Delays has them come later or in another order, Falsifies has
	// them come with other data or under another identifier.
	Loses
	Adds
	Delays
	Falsifies
	// Unused alters bytes that no message uses. Ignored alters frames so that a receiver
	// may leave them alone, where an outsider counts them.
	Unused
	Ignored
	// CutsUnits keeps units off the bus, CutsTool the tool: a node hears nobody and
	// nobody hears it.
	CutsUnits
	CutsTool
	// Answers has units answer something else than they would, at another time, or
	// not at all; all hear the same.
	Answers
	// Asks has units ask odd things of who sends them a long message, and keep to them.
	Asks
	// Messages falsifies the car's own messages, not those of diagnosis.
	Messages
)

// Sets of what an act can do.
const (
	// disturbing lets two nodes see different conversations.
	disturbing = Loses | Adds | Delays | Falsifies | Ignored | CutsUnits | CutsTool
	// notSpared is what makes an answer on the bus, for the tool, other than its unit
	// would have it.
	notSpared = Loses | Adds | Delays | Falsifies | Unused | Ignored | CutsTool | Answers
	// otherContents is what has a whole message say something else than was meant.
	otherContents = Adds | Falsifies | Unused | Answers
)

// terms are what the catalogue says of an act.
type terms struct {
	// names are the things it is done to, none of them empty.
	names []string
	// amounts may come from parameters of kind number.
	amounts []Amount
	// wiring is what becomes of a wire; nil for other acts.
	wiring *Wiring
}

// kinds are the acts by the key that they have in the catalogue.
var kinds = map[string]func() act{}

// register adds a kind of act when the program starts; never later.
func register[A any, P interface {
	*A
	act
}](key string) {
	kinds[key] = func() act { return P(new(A)) }
}

// Kinds lists the kinds of acts in alphabetical order.
func Kinds() []string { return slices.Sorted(maps.Keys(kinds)) }

// actSpec is an act as it is written: under the key of its kind, perhaps with a condition.
type actSpec struct {
	// If names a parameter of kind bool that brings the act about; Unless one
	// that does away with it.
	If     string `yaml:"if"`
	Unless string `yaml:"unless"`

	kinds []string
	acts  []act
}

// Members implements strict.Keyed.
func (s *actSpec) Members() []string { return Kinds() }

// Member implements strict.Keyed.
func (s *actSpec) Member(key string) any {
	build, ok := kinds[key]
	if !ok {
		return nil
	}
	a := build()
	s.kinds, s.acts = append(s.kinds, key), append(s.acts, a)
	return a
}

// boundAct is an act with its condition.
type boundAct struct {
	act
	kind string
	If   string
	Not  bool
}

func (s *actSpec) bind() (boundAct, error) {
	if len(s.acts) != 1 || s.If != "" && s.Unless != "" {
		return boundAct{}, fmt.Errorf("%d acts, want exactly one of %s, with if or unless or neither", len(s.acts), strings.Join(Kinds(), ", "))
	}
	b := boundAct{act: s.acts[0], kind: s.kinds[0], If: s.If}
	if s.Unless != "" {
		b.If, b.Not = s.Unless, true
	}
	return b, nil
}

// checkAct checks that what an act names is there: parameters for its numbers,
// a wire's state with what it needs for every value of a parameter.
func (e *Entry) checkAct(a act) error {
	t := a.terms()
	for _, n := range t.names {
		if n == "" {
			return errors.New("an act without a name, want what it is done to")
		}
		if err := e.checkBraces(n); err != nil {
			return err
		}
	}
	for _, x := range t.amounts {
		if x.ValueOf != "" && !e.has(x.ValueOf, Number) {
			return fmt.Errorf("%q, want a parameter of kind number", x.ValueOf)
		}
	}
	if t.wiring == nil {
		return nil
	}
	return e.checkWiring(t.wiring)
}

func (e *Entry) checkWiring(w *Wiring) error {
	for _, of := range []struct{ name, kind string }{{w.StateOf, Text}, {w.OhmOf, Number}, {w.OpenOf, Number}, {w.PeriodOf, Number}} {
		if of.name != "" && !e.has(of.name, of.kind) {
			return fmt.Errorf("%q, want a parameter of kind %s", of.name, of.kind)
		}
	}
	states := []string{w.State}
	if p := e.param(w.StateOf); p != nil {
		states = p.Words
	}
	for _, state := range states {
		one := *w
		one.State, one.StateOf = state, ""
		if _, err := one.of(e.defaults()); err != nil {
			return err
		}
	}
	return nil
}

func (e *Entry) has(param, kind string) bool {
	p := e.param(param)
	return p != nil && p.Kind == kind
}

// reach is what all acts of the fault together can do.
func (e *Entry) reach() Reach {
	var r Reach
	for _, b := range e.acts {
		r |= b.scope(nil).Reach
	}
	return r
}

// Reach is what the fault can do to the conversation on the bus with the parameters that
// it has.
func (f *Fault) Reach() Reach {
	var r Reach
	for _, a := range f.acts {
		r |= a.scope(f.params).Reach
	}
	return r
}

// Misleads reports whether what an outsider sees on the bus may be something else than
// what the tool has sent or heard, so that what it does cannot be held against it: its
// own frames do not leave as it means them, or it does not hear what is there. sends are
// the identifiers that it sends on. What becomes of the frames of units before they are
// on the bus, the tool sees as everybody does.
func (f *Fault) Misleads(sends []canbus.Key) bool {
	r := f.Reach()
	switch {
	case r&(CutsTool|Ignored) != 0:
		return true
	case r&(Loses|Adds|Delays|Falsifies) == 0:
		return false
	case !f.entry.Chooses:
		return true
	}
	if s := f.params.Text("sender"); s != "" && s != outside {
		return false
	}
	ids, err := idsOf(f.params)
	return err != nil || len(ids) == 0 || slices.ContainsFunc(ids, func(m replay.Match) bool {
		return slices.ContainsFunc(sends, m.Has)
	})
}

// SparesAnswers is Entry.SparesAnswers with the parameters that the fault has.
func (f *Fault) SparesAnswers() bool { return f.Reach()&notSpared == 0 }

// KeepsContents is Entry.KeepsContents with the parameters that the fault has.
func (f *Fault) KeepsContents() bool { return f.Reach()&otherContents == 0 }

// OnBus reports whether the fault is one of the bus and not of the car.
func (e *Entry) OnBus() bool {
	return slices.ContainsFunc(e.acts, func(b boundAct) bool { return b.scope(nil).Where >= OnNetwork })
}

// Disturbs reports whether the fault can keep frames from going as they were sent, or
// a node from the bus, so that two nodes may not see the same conversation.
func (e *Entry) Disturbs() bool { return e.reach()&disturbing != 0 }

// SparesAnswers reports whether every diagnostic answer that is on the bus is as its
// unit gave it and for all to hear: a unit may be cut off, and the car's own messages
// may be falsified.
func (e *Entry) SparesAnswers() bool { return e.reach()&notSpared == 0 }

// KeepsContents reports whether every message that is whole on the bus says what its
// sender meant: frames may be lost or late, and nodes cut off, but none says anything else.
func (e *Entry) KeepsContents() bool { return e.reach()&otherContents == 0 }

// OnFrames reports whether the fault is done to frames that pass, and so can be put
// between any two buses.
func (e *Entry) OnFrames() bool {
	return !slices.ContainsFunc(e.acts, func(b boundAct) bool { return b.scope(nil).Where != InFrames })
}

// Kinds lists the kinds of a fault's acts.
func (e *Entry) Kinds() []string {
	var list []string
	for _, b := range e.acts {
		list = append(list, b.kind)
	}
	return list
}
