package task

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
)

// FillSchema puts the lists into a JSON Schema (2020-12) that has marks in their places,
// so that a schema knows what its loader knows:
//
//	"@tasks"         the names of the tasks
//	"@takers"        those whose argument has words
//	"@lists"         the keys of the fields that can be said to be empty
//	"@keys"          the keys of all fields
//	"@with": true    conditions that want the argument of each task
//	"@for": true     the arguments that have words, as properties
//	"@fields": true  what a scenario can want of a report, as properties
//	"@one": true     that one of these is there
func FillSchema(schema []byte) []byte {
	wants, one := reported()
	for _, m := range []struct{ mark, text string }{
		{`"@tasks"`, list(Names())},
		{`"@takers"`, list(takers())},
		{`"@lists"`, list(Lists())},
		{`"@keys"`, list(Keys())},
		{`"@with": true`, with()},
		{`"@for": true`, properties()},
		{`"@fields": true`, wants},
		{`"@one": true`, one},
	} {
		schema = bytes.ReplaceAll(schema, []byte(m.mark), []byte(m.text))
	}
	return schema
}

// list is a JSON list of words.
func list(words []string) string {
	b, err := json.Marshal(words)
	if err != nil {
		panic(err) // words are texts
	}
	return string(b)
}

// takers are the tasks whose argument has words.
func takers() []string {
	var names []string
	for i := range tasks {
		if a := tasks[i].Argument; a != nil && a.Words != nil {
			names = append(names, tasks[i].Name)
		}
	}
	return names
}

// value is the schema of an argument.
func (a *Argument) value() string {
	if a.Words == nil {
		return `{"$ref": "#/$defs/vin"}`
	}
	return `{"enum": ` + list(a.Words) + `}`
}

// properties are the arguments with words, as a profile's "for" may have them.
func properties() string {
	var s []string
	for _, a := range Arguments() {
		if a.Words != nil {
			s = append(s, fmt.Sprintf("%q: %s", a.Name, a.value()))
		}
	}
	return strings.Join(s, ", ")
}

// with is one condition a task: its argument and no other, or none.
func with() string {
	var s []string
	for i := range tasks {
		t := &tasks[i]
		then := `{"properties": {"args": {"maxProperties": 0}}}`
		if a := t.Argument; a != nil {
			then = fmt.Sprintf(`{"required": ["args"], "properties": {"args": {"additionalProperties": false, "required": [%q], "properties": {%q: %s}}}}`,
				a.Name, a.Name, a.value())
		}
		s = append(s, fmt.Sprintf(`{"if": {"properties": {"task": {"const": %q}}}, "then": %s}`, t.Name, then))
	}
	return `"allOf": [` + strings.Join(s, ", ") + `]`
}

// reported are the properties of what a scenario wants of a report, and that one of them
// must be there.
func reported() (properties, one string) {
	var ps, rs []string
	for i := range fields {
		f := &fields[i]
		ps = append(ps, fmt.Sprintf("%q: %s", f.Name, f.wanted()))
		least := ""
		if f.Shape == Named || f.Shape == Values {
			least = fmt.Sprintf(`, "properties": {%q: {"minProperties": 1}}`, f.Name)
		}
		rs = append(rs, fmt.Sprintf(`{"required": [%q]%s}`, f.Name, least))
	}
	return strings.Join(ps, ", "), `"anyOf": [` + strings.Join(rs, ", ") + `]`
}

// wanted is the schema of what a scenario wants of a field.
func (f *Field) wanted() string {
	switch f.Shape {
	case Number:
		return `{"$ref": "#/$defs/vin"}`
	case Units:
		return `{"$ref": "#/$defs/unitList"}`
	case Codes:
		return `{"$ref": "#/$defs/codeList"}`
	case Whole:
		return `{"type": "integer", "minimum": 0, "maximum": 1000}`
	case Texts:
		return `{"$ref": "#/$defs/textList"}`
	case Word:
		return `{"enum": ` + list(f.Words) + `}`
	case Named:
		return `{"type": "object", "additionalProperties": {"enum": ` + list(f.Words) + `}}`
	default:
		return `{"$ref": "#/$defs/values"}`
	}
}
