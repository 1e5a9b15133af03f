package spec

import "sawhorse/bench/car/strict"

// Schema is the JSON Schema of a unit's file.
func Schema() []byte { return strict.Schema("A control unit: ecu-NAME.yaml", &Unit{}) }
