package cel

import (
	"slices"
	"time"

	"github.com/google/cel-go/common/types"
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
	bools  []bool // by Ref
	now    time.Duration
	task   string
	faults []string
	ended  []string
	event  *judge.Observation
}

// NewScope looks at a table of true signals.
func NewScope(truth *signal.Table) *Scope {
	s := &Scope{table: truth}
	for _, i := range truth.Infos() {
		s.bools = append(s.bools, i.Unit == boolUnit)
	}
	return s
}

// Enter takes an observation in: what begins is there while it is looked at.
func (s *Scope) Enter(o *judge.Observation) {
	s.now, s.event = o.Time, o
	switch o.Kind {
	case judge.TaskStart:
		s.task = o.Task
	case judge.FaultOn:
		if !slices.Contains(s.faults, o.Fault) {
			s.faults = append(s.faults, o.Fault)
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
		s.ended = append(s.ended, o.Task)
	case judge.FaultOff:
		if i := slices.Index(s.faults, o.Fault); i >= 0 {
			s.faults = slices.Delete(s.faults, i, i+1)
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
		return s.faults, true
	case "ended":
		return s.ended, true
	case "key":
		return types.String(s.key()), true
	}
	if f, ok := eventFields[name]; ok {
		if s.event == nil {
			return nil, false
		}
		return f.get(s.event), true
	}
	r, ok := s.table.Lookup(name)
	if !ok {
		return nil, false
	}
	if int(r) < len(s.bools) && s.bools[r] {
		return types.Bool(s.table.Is(r)), true
	}
	return types.Double(s.table.Get(r)), true
}
