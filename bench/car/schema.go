package car

import "sawhorse/bench/car/strict"

// Schema is the JSON Schema of car.yaml.
func Schema() []byte { return strict.Schema("A car: car.yaml", &Spec{}) }

// CircuitsSchema is the JSON Schema of circuits.yaml.
func CircuitsSchema() []byte {
	return strict.Schema("The circuits of a car: circuits.yaml", &wiringSpec{})
}
