package cel

import (
	"slices"
	"time"

	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"
	"github.com/google/cel-go/interpreter"

	"sawhorse/bench/judge"
	"sawhorse/bench/signal"
)

// KeyPositions are the words for the values 0..3 of the signal "key".
func KeyPositions() []string { return []string{"off", "accessory", "on", "start"} }

var keyNames = KeyPositions()

// Scope is what a condition can see at one moment: the true signals, the running
// task, the tasks that have ended, the faults that are on, and the observation at
// hand.
type Scope struct {
	table  *signal.Table
	infos  []signal.Info // by Ref
	now    time.Duration
	task   string
	faults []string
	ended  []string
	// faultList and endedList are the two as CEL has them, made anew when they change.
	faultList, endedList ref.Val
	event                *judge.Observation
	// fit is the language whose signals the table has, at the same places; misfit one
	// whose signals it has not.
	fit, misfit *Language
}

// NewScope looks at a table of true signals.
func NewScope(truth *signal.Table) *Scope {
	return &Scope{table: truth, infos: truth.Infos()}
}

// fits reports whether the table has a language's signals where the language has them,
// so that closures may read them by their places.
func (s *Scope) fits(l *Language) bool { return s.fit == l || s.misfit != l && s.compare(l) }

func (s *Scope) compare(l *Language) bool {
	if len(s.infos) < len(l.infos) {
		s.misfit = l
		return false
	}
	for i := range l.infos {
		if s.infos[i].Name != l.infos[i].Name || s.infos[i].Unit != l.infos[i].Unit {
			s.misfit = l
			return false
		}
	}
	s.fit = l
	return true
}

// Enter takes an observation in: what begins is there while it is looked at.
func (s *Scope) Enter(o *judge.Observation) {
	s.now, s.event = o.Time, o
	switch o.Kind {
	case judge.TaskStart:
		s.task = o.Task
	case judge.FaultOn:
		if !slices.Contains(s.faults, o.Fault) {
			s.faults, s.faultList = append(s.faults, o.Fault), nil
		}
	}
}

// Leave ends an observation: what ended has gone from here on.
func (s *Scope) Leave(o *judge.Observation) {
	s.event = nil
	switch o.Kind {
	case judge.TaskEnd:
		if s.task == o.Task {
			s.task = ""
		}
		s.ended, s.endedList = append(s.ended, o.Task), nil
	case judge.FaultOff:
		if i := slices.Index(s.faults, o.Fault); i >= 0 {
			s.faults, s.faultList = slices.Delete(s.faults, i, i+1), nil
		}
	}
}

// Pass lets time pass.
func (s *Scope) Pass(now time.Duration) { s.now = now }

// Faults are those that are on; the list belongs to the scope.
func (s *Scope) Faults() []string { return s.faults }

// number is the value of a signal, or the time in seconds for "t".
func (s *Scope) number(name string) float64 {
	if r, ok := s.table.Lookup(name); ok {
		return s.table.Get(r)
	}
	return s.now.Seconds()
}

func (s *Scope) key() string {
	r, ok := s.table.Lookup("key")
	if !ok {
		return ""
	}
	if k := int(s.table.Get(r)); k >= 0 && k < len(keyNames) {
		return keyNames[k]
	}
	return ""
}

// listOf keeps a list in CEL's form until it changes.
func listOf(kept *ref.Val, list []string) ref.Val {
	if *kept == nil {
		*kept = types.NewStringList(types.DefaultTypeAdapter, slices.Clone(list))
	}
	return *kept
}

// Parent implements the activation of CEL.
func (s *Scope) Parent() interpreter.Activation { return nil }

// ResolveName implements the activation of CEL: the value of a name.
func (s *Scope) ResolveName(name string) (any, bool) {
	switch name {
	case "t":
		return types.Double(s.now.Seconds()), true
	case "task":
		return types.String(s.task), true
	case "faults":
		return listOf(&s.faultList, s.faults), true
	case "ended":
		return listOf(&s.endedList, s.ended), true
	case "key":
		return types.String(s.key()), true
	}
	if f, ok := fields[name]; ok {
		if s.event == nil {
			return nil, false
		}
		return f.value(s.event), true
	}
	r, ok := s.table.Lookup(name)
	if !ok {
		return nil, false
	}
	if int(r) < len(s.infos) && s.infos[r].Unit == boolUnit {
		return types.Bool(s.table.Is(r)), true
	}
	return types.Double(s.table.Get(r)), true
}
