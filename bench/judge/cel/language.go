package cel

import (
	"fmt"
	"slices"

	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"

	"sawhorse/bench/signal"
)

const boolUnit = "bool"

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
	// infos are the signals in the order of their table, refs their places in it.
	infos []signal.Info
	refs  map[string]signal.Ref
}

// NewLanguage declares the names. A signal is a double, or a bool where its
// unit is "bool"; key is one of the words off, accessory, on, start. A signal
// that takes a name of the language is an error.
func NewLanguage(infos []signal.Info) (*Language, error) {
	l := &Language{units: map[string]string{"t": "s"}, refs: map[string]signal.Ref{}, infos: slices.Clone(infos)}
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
	// any order: the names of a language are a set
	for name, f := range fields {
		opts = append(opts, cel.Variable(name, f.typ()))
	}
	for r, i := range infos {
		switch {
		case i.Name == "key":
			continue
		case i.Name == "t" || i.Name == "task" || i.Name == "faults" || i.Name == "ended" || i.Name == "event":
			return nil, fmt.Errorf("signal %q: the name belongs to the language of conditions", i.Name)
		case i.Unit == boolUnit:
			opts = append(opts, cel.Variable(i.Name, cel.BoolType))
		default:
			l.units[i.Name] = i.Unit
			opts = append(opts, cel.Variable(i.Name, cel.DoubleType))
		}
		l.refs[i.Name] = signal.Ref(r)
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
