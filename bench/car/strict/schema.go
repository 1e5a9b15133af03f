package strict

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
)

// Schema is the JSON Schema (draft 2020-12) of the files that decode into v, a pointer to
// a struct, for editors: its keys, and what kind of value each has. What the numbers must
// be and which names there are is checked when a file is loaded.
func Schema(title string, v any) []byte {
	s := schema{defs: map[string]any{}, types: map[reflect.Type]string{}, d: decoder{types: map[reflect.Type][]member{}}}
	root := s.object(reflect.TypeOf(v).Elem())
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["title"] = title
	if len(s.defs) > 0 {
		root["$defs"] = s.defs
	}
	out, err := json.MarshalIndent(root, "", "  ")
	if err != nil {
		panic(err) // it is made of maps, lists and texts
	}
	return append(out, '\n')
}

type schema struct {
	d     decoder
	defs  map[string]any
	types map[reflect.Type]string // those in defs, by their names
}

// object is a struct as a mapping of its keys.
func (s *schema) object(t reflect.Type) map[string]any {
	properties := map[string]any{}
	for _, m := range s.d.members(t) {
		properties[m.name] = s.of(t.FieldByIndex(m.index).Type)
	}
	return map[string]any{"type": "object", "additionalProperties": false, "properties": properties}
}

func (s *schema) of(t reflect.Type) map[string]any {
	if t.Kind() == reflect.Pointer {
		return s.of(t.Elem())
	}
	if reflect.PointerTo(t).Implements(textType) {
		return map[string]any{"type": []string{"string", "number", "boolean"}}
	}
	switch t.Kind() {
	case reflect.Struct:
		return map[string]any{"$ref": "#/$defs/" + s.define(t)}
	case reflect.Slice:
		return map[string]any{"type": "array", "items": s.of(t.Elem())}
	case reflect.Array:
		return map[string]any{"type": "array", "items": s.of(t.Elem()), "minItems": t.Len(), "maxItems": t.Len()}
	case reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": s.of(t.Elem())}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Float64, reflect.Float32:
		return map[string]any{"type": "number"}
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32:
		return map[string]any{"type": "integer", "minimum": 0, "maximum": uint64(math.MaxUint64) >> (64 - t.Bits())}
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64, reflect.Uint64:
		return map[string]any{"type": "integer"}
	case reflect.String:
		return map[string]any{"type": []string{"string", "number", "boolean"}} // a text may look like a number
	}
	return map[string]any{}
}

// define writes a struct down once; one that has no name gets a number.
func (s *schema) define(t reflect.Type) string {
	if name, ok := s.types[t]; ok {
		return name
	}
	base := strings.TrimSuffix(t.Name(), "Spec")
	if base == "" {
		base = "entry"
	}
	name := strings.ToLower(base[:1]) + base[1:]
	for s.defs[name] != nil {
		name += "_"
	}
	s.types[t], s.defs[name] = name, map[string]any{}
	s.defs[name] = s.object(t)
	return name
}
