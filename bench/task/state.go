package task

// State is what a report says of one field.
type State uint8

// The states. That something is not known is said, and is no "none": a tool that was
// not answered must not be taken for one that found nothing.
const (
	NotSaid State = iota // nothing at all
	Said                 // a value, or a list with entries
	Empty                // a list that the tool says holds nothing
	Unknown              // the tool says that it could not be read
)

var stateNames = [...]string{"not said", "said", "said to be empty", "said not to be known"}

// String is the state in words.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return "no state"
}

// States are the states of all fields; the zero value says nothing of any.
type States struct{ said, empty, unknown Fields }

// Of is the state of one field.
func (s States) Of(f Fields) State {
	switch {
	case s.said.Has(f):
		return Said
	case s.empty.Has(f):
		return Empty
	case s.unknown.Has(f):
		return Unknown
	}
	return NotSaid
}

// Set gives a field its state.
func (s *States) Set(f Fields, to State) {
	s.said, s.empty, s.unknown = s.said&^f, s.empty&^f, s.unknown&^f
	switch to {
	case Said:
		s.said |= f
	case Empty:
		s.empty |= f
	case Unknown:
		s.unknown |= f
	}
}

// Known are the fields that are said, or said to be empty.
func (s States) Known() Fields { return s.said | s.empty }

// NotKnown are the fields that are said not to be known.
func (s States) NotKnown() Fields { return s.unknown }
