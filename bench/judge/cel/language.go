package cel

import (
	"fmt"
	"slices"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"

	"sawhorse/bench/judge"
	"sawhorse/bench/signal"
)

const boolUnit = "bool"

// eventField is one field of the observation at hand, as conditions name it.
type eventField struct {
	typ *cel.Type
	get func(o *judge.Observation) ref.Val
}

func intField(get func(o *judge.Observation) int) eventField {
	return eventField{cel.IntType, func(o *judge.Observation) ref.Val { return types.Int(get(o)) }}
}

func textField(get func(o *judge.Observation) string) eventField {
	return eventField{cel.StringType, func(o *judge.Observation) ref.Val { return types.String(get(o)) }}
}

func boolField(get func(o *judge.Observation) bool) eventField {
	return eventField{cel.BoolType, func(o *judge.Observation) ref.Val { return types.Bool(get(o)) }}
}

// The fields are declared as qualified names, which CEL resolves as a whole: no
// object is built for an evaluation, and a wrong field is found by the checker.
var eventFields = map[string]eventField{
	"event.kind":       textField(func(o *judge.Observation) string { return o.Kind.String() }),
	"event.id":         intField(func(o *judge.Observation) int { return o.ID }),
	"event.ecu":        textField(func(o *judge.Observation) string { return o.ECU }),
	"event.service":    intField(func(o *judge.Observation) int { return o.Service }),
	"event.sub":        intField(func(o *judge.Observation) int { return o.Sub }),
	"event.pid":        intField(func(o *judge.Observation) int { return o.PID }),
	"event.did":        intField(func(o *judge.Observation) int { return o.DID }),
	"event.rid":        intField(func(o *judge.Observation) int { return o.RID }),
	"event.nrc":        intField(func(o *judge.Observation) int { return o.NRC }),
	"event.line":       intField(func(o *judge.Observation) int { return o.Line }),
	"event.positive":   boolField(func(o *judge.Observation) bool { return o.Positive }),
	"event.functional": boolField(func(o *judge.Observation) bool { return o.Functional }),
	"event.text":       textField(func(o *judge.Observation) string { return o.Text }),
	"event.task":       textField(func(o *judge.Observation) string { return o.Task }),
	"event.status":     textField(func(o *judge.Observation) string { return o.Status }),
	"event.fault":      textField(func(o *judge.Observation) string { return o.Fault }),
	"event.control":    textField(func(o *judge.Observation) string { return o.Control }),
	"event.data":       {cel.BytesType, func(o *judge.Observation) ref.Val { return types.Bytes(o.Data) }},
}

// Bounds of one condition: generous for people, small for a hostile file.
const (
	maxConditionSize  = 2000
	maxConditionDepth = 40
)

// Language is the vocabulary of conditions about one car: its signals, t, task (the
// one that runs, or ""), ended (the tasks that did), faults (those that are on) and
// event.
type Language struct {
	env   *cel.Env
	units map[string]string // numeric names and their units
	infos []signal.Info
}

// NewLanguage declares the names. A signal is a double, or a bool where its
// unit is "bool"; key is one of the words off, accessory, on, start. A signal
// that takes a name of the language is an error.
func NewLanguage(infos []signal.Info) (*Language, error) {
	l := &Language{units: map[string]string{"t": "s"}, infos: slices.Clone(infos)}
	opts := []cel.EnvOption{
		cel.CrossTypeNumericComparisons(true),
		cel.ParserExpressionSizeLimit(maxConditionSize),
		cel.ParserRecursionLimit(maxConditionDepth),
		cel.ASTValidators(cel.ValidateRegexLiterals(), cel.ValidateComprehensionNestingLimit(1)),
		cel.Variable("t", cel.DoubleType),
		cel.Variable("task", cel.StringType),
		cel.Variable("key", cel.StringType),
		cel.Variable("faults", cel.ListType(cel.StringType)),
		cel.Variable("ended", cel.ListType(cel.StringType)),
		cel.Function("at", cel.MemberOverload("bytes_at_int", []*cel.Type{cel.BytesType, cel.IntType}, cel.IntType,
			cel.BinaryBinding(byteAt))),
	}
	for name, f := range eventFields {
		opts = append(opts, cel.Variable(name, f.typ))
	}
	for _, i := range infos {
		switch {
		case i.Name == "key":
		case i.Name == "t" || i.Name == "task" || i.Name == "faults" || i.Name == "ended" || i.Name == "event":
			return nil, fmt.Errorf("signal %q: the name belongs to the language of conditions", i.Name)
		case i.Unit == boolUnit:
			opts = append(opts, cel.Variable(i.Name, cel.BoolType))
		default:
			l.units[i.Name] = i.Unit
			opts = append(opts, cel.Variable(i.Name, cel.DoubleType))
		}
	}
	env, err := cel.NewEnv(opts...)
	if err != nil {
		return nil, fmt.Errorf("language of conditions: %w", err)
	}
	l.env = env
	return l, nil
}

// Number reports whether a name is a signal with a numeric value.
func (l *Language) Number(name string) bool {
	_, ok := l.units[name]
	return ok
}

// byteAt is data.at(i): a byte of a message, or -1 beyond its end, so that a
// short message is no error.
func byteAt(data, index ref.Val) ref.Val {
	b, ok := data.(types.Bytes)
	i, ok2 := index.(types.Int)
	if !ok || !ok2 {
		return types.NewErr("at: want bytes and an int")
	}
	if i < 0 || int64(i) >= int64(len(b)) {
		return types.Int(-1)
	}
	return types.Int(b[i])
}
