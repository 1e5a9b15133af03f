package tool

import (
	_ "embed"

	"sawhorse/bench/task"
)

//go:embed schema.json
var schema []byte

// Schema is the JSON Schema (2020-12) of a tool profile. What it cannot say (a
// task that is never reached, the grammar of JSONPath and of placeholders)
// Parse checks in addition.
func Schema() []byte { return task.FillSchema(schema) }
