package task

import "slices"

// Fields is a set of the things that a tool can report.
type Fields uint16

// What a tool can report.
const (
	VIN Fields = 1 << iota
	ECUs
	Stored
	Pending
	Permanent
	Lamp
	Learn
	Readiness
	Live
	Freeze
	Output
	Count
	Calibrations
)

// Has reports whether all of the fields are in the set.
func (f Fields) Has(o Fields) bool { return f&o == o }

// Shape is what the value of a field looks like.
type Shape uint8

// The shapes.
const (
	Number Shape = iota // a vehicle's number
	Units               // a list of control units
	Codes               // a list of trouble codes
	Word                // one of some words
	Named               // one of some words for each of several names
	Values              // a number for each of several names
	Whole               // a whole number
	Texts               // a list of texts
)

// List reports a shape that a tool can say to be empty.
func (s Shape) List() bool { return s != Number && s != Word && s != Whole }

// Field is one thing that a tool can report.
type Field struct {
	Field Fields
	// Name is what scenarios and verdicts call it, Key what a profile's mapping of a
	// JSON document calls it, Group the named group of a line that tells it.
	Name, Key, Group string
	Shape            Shape
	// Words are those of a Word or Named, that of the most said first: on, complete,
	// done.
	Words []string
}

// Results of a learn procedure, as scenarios have them.
const (
	LearnDone    = "done"
	LearnAborted = "aborted"
	LearnRefused = "refused"
	LearnFailed  = "failed"
)

// Results of driving an output.
const (
	OutputDone    = "done"
	OutputRefused = "refused"
	OutputFailed  = "failed"
)

// fields are in the order of the verdicts.
var fields = []Field{
	{Field: ECUs, Name: "ecus", Key: "ecus", Group: "ecu", Shape: Units},
	{Field: VIN, Name: "vin", Key: "vin", Group: "vin", Shape: Number},
	{Field: Calibrations, Name: "calibrations", Key: "calibrations", Group: "calibration", Shape: Texts},
	{Field: Stored, Name: "stored", Key: "stored", Group: "stored", Shape: Codes},
	{Field: Pending, Name: "pending", Key: "pending", Group: "pending", Shape: Codes},
	{Field: Permanent, Name: "permanent", Key: "permanent", Group: "permanent", Shape: Codes},
	{Field: Freeze, Name: "freeze", Key: "freeze", Group: "freeze", Shape: Codes},
	{Field: Lamp, Name: "lamp", Key: "mil", Group: "mil", Shape: Word, Words: []string{"on", "off"}},
	{Field: Count, Name: "count", Key: "count", Group: "count", Shape: Whole},
	{Field: Readiness, Name: "readiness", Key: "readiness", Group: "monitor", Shape: Named,
		Words: []string{"complete", "incomplete", "unsupported"}},
	{Field: Live, Name: "live", Key: "live", Group: "value", Shape: Values},
	{Field: Learn, Name: "learn", Key: "learn", Group: "outcome", Shape: Word,
		Words: []string{LearnDone, LearnAborted, LearnRefused, LearnFailed}},
	{Field: Output, Name: "output", Key: "output", Group: "driven", Shape: Word,
		Words: []string{OutputDone, OutputRefused, OutputFailed}},
}

// EachField lists the fields.
func EachField() []Field { return slices.Clone(fields) }

// ByKey finds a field by the key that profiles have for it.
func ByKey(key string) (Field, bool) {
	i := slices.IndexFunc(fields, func(f Field) bool { return f.Key == key })
	if i < 0 {
		return Field{}, false
	}
	return fields[i], true
}

// FieldOf finds a field by the name that scenarios have for it.
func FieldOf(name string) (Field, bool) {
	i := slices.IndexFunc(fields, func(f Field) bool { return f.Name == name })
	if i < 0 {
		return Field{}, false
	}
	return fields[i], true
}

// Keys are the keys of the fields.
func Keys() []string {
	var keys []string
	for i := range fields {
		keys = append(keys, fields[i].Key)
	}
	return keys
}

// Lists are the keys of the fields that a tool can say to be empty.
func Lists() []string {
	var keys []string
	for i := range fields {
		if fields[i].Shape.List() {
			keys = append(keys, fields[i].Key)
		}
	}
	return keys
}
