package scenarios

import (
	"bytes"
	"fmt"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"sawhorse/bench/judge/monitor"
)

// wantKind is a kind of expectation as files have it: one file each.
type wantKind struct {
	// key is its name in an expectation.
	key string
	// windowless says that while, from and until have no meaning with it.
	windowless bool
	// within says that its own "within" bounds it as the expectation's "until" does.
	within bool
	// read reads what stands under the key.
	read func(r *reader, n ast.Node) monitor.Want
	// schema is the JSON Schema of that.
	schema string
}

// wantKinds are the kinds, of which an expectation has exactly one.
var wantKinds = []wantKind{
	neverKind, alwaysKind, eventuallyKind, holdUntilKind, beforeKind, afterKind, countKind, answeredKind, finishedKind, reportedKind,
	whileFaultsOnKind, recoversKind,
}

// wantKeys are the keys of the kinds.
func wantKeys() []string {
	var keys []string
	for i := range wantKinds {
		keys = append(keys, wantKinds[i].key)
	}
	return keys
}

// fillKinds puts the kinds into the schema of a scenario file, in the places marked
// "@kinds": as properties of an expectation, and that it has exactly one.
func fillKinds(schema []byte) []byte {
	var properties, one []string
	for i := range wantKinds {
		k := &wantKinds[i]
		properties = append(properties, fmt.Sprintf("%q: %s", k.key, k.schema))
		alone := fmt.Sprintf(`{"required": [%q]}`, k.key)
		if k.windowless {
			alone = fmt.Sprintf(`{"required": [%q], "not": {"anyOf": [{"required": ["while"]}, {"required": ["from"]}, {"required": ["until"]}]}}`, k.key)
		}
		one = append(one, alone)
	}
	schema = bytes.Replace(schema, []byte(`"@kinds": true`), []byte(strings.Join(properties, ",\n")), 1)
	return bytes.Replace(schema, []byte(`"@kinds"`), []byte("["+strings.Join(one, ", ")+"]"), 1)
}
