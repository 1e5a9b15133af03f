package cel

import (
	"github.com/google/cel-go/cel"
	"github.com/google/cel-go/common/types"
	"github.com/google/cel-go/common/types/ref"

	"sawhorse/bench/judge"
)

// field is one field of the observation at hand, as conditions name it: exactly one of
// its functions reads it.
type field struct {
	whole func(o *judge.Observation) int
	text  func(o *judge.Observation) string
	logic func(o *judge.Observation) bool
	bytes func(o *judge.Observation) []byte
}

// The fields are declared as qualified names, which CEL resolves as a whole: no
// object is built for an evaluation, and a wrong field is found by the checker.
var fields = map[string]field{
	"event.kind":       {text: func(o *judge.Observation) string { return o.Kind.String() }},
	"event.id":         {whole: func(o *judge.Observation) int { return o.ID }},
	"event.ecu":        {text: func(o *judge.Observation) string { return o.ECU }},
	"event.service":    {whole: func(o *judge.Observation) int { return o.Service }},
	"event.sub":        {whole: func(o *judge.Observation) int { return o.Sub }},
	"event.pid":        {whole: func(o *judge.Observation) int { return o.PID }},
	"event.did":        {whole: func(o *judge.Observation) int { return o.DID }},
	"event.rid":        {whole: func(o *judge.Observation) int { return o.RID }},
	"event.nrc":        {whole: func(o *judge.Observation) int { return o.NRC }},
	"event.line":       {whole: func(o *judge.Observation) int { return o.Line }},
	"event.positive":   {logic: func(o *judge.Observation) bool { return o.Positive }},
	"event.functional": {logic: func(o *judge.Observation) bool { return o.Functional }},
	"event.text":       {text: func(o *judge.Observation) string { return o.Text }},
	"event.task":       {text: func(o *judge.Observation) string { return o.Task }},
	"event.status":     {text: func(o *judge.Observation) string { return o.Status }},
	"event.fault":      {text: func(o *judge.Observation) string { return o.Fault }},
	"event.control":    {text: func(o *judge.Observation) string { return o.Control }},
	"event.data":       {bytes: func(o *judge.Observation) []byte { return o.Data }},
}

// typ is the field's type in CEL.
func (f *field) typ() *cel.Type {
	switch {
	case f.whole != nil:
		return cel.IntType
	case f.text != nil:
		return cel.StringType
	case f.logic != nil:
		return cel.BoolType
	}
	return cel.BytesType
}

// value is the field's value in CEL.
func (f *field) value(o *judge.Observation) ref.Val {
	switch {
	case f.whole != nil:
		return types.Int(f.whole(o))
	case f.text != nil:
		return types.String(f.text(o))
	case f.logic != nil:
		return types.Bool(f.logic(o))
	}
	return types.Bytes(f.bytes(o))
}
