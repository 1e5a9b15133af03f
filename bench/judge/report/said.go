package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"sawhorse/bench/judge"
	"sawhorse/bench/task"
)

// maxSaid bounds a file of what was said, in bytes.
const maxSaid = 1 << 20

// ReadSaid reads what a tool said of a recording from JSON, one key a field:
//
//	{
//	  "vin": "SWH48PETREL000001",
//	  "ecus": ["7E0", "7E1"],
//	  "stored": ["P0102"], "pending": [], "permanent": null,
//	  "lamp": "on",
//	  "readiness": {"catalyst": "incomplete"},
//	  "live": {"coolant_c": 90}
//	}
//
// An empty list says that there is nothing, null that it is not known, and a field that
// is not there says nothing at all. Control units are named by their request identifier.
// The error says which key is wrong and what was expected.
func ReadSaid(r io.Reader) (*judge.Report, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxSaid+1))
	if err != nil {
		return nil, err
	}
	if len(data) > maxSaid {
		return nil, fmt.Errorf("more than %d bytes", maxSaid)
	}
	var doc map[string]json.RawMessage
	if err := json.Unmarshal(data, &doc); err != nil {
		return nil, fmt.Errorf("%w, expected a JSON object of fields such as vin and stored", err)
	}
	rep := new(judge.Report)
	var unknown task.States
	for _, key := range slices.Sorted(maps.Keys(doc)) {
		f, ok := task.FieldOf(key)
		if !ok || sayers[f.Field] == nil {
			return nil, fmt.Errorf("key %q is not known, expected one of %s", key, strings.Join(sayable(), ", "))
		}
		rep.Reads |= f.Field
		if bytes.Equal(doc[key], []byte("null")) {
			unknown.Set(f.Field, task.Unknown)
			continue
		}
		if err := sayers[f.Field](rep, doc[key]); err != nil {
			return nil, fmt.Errorf("key %q: %w", key, err)
		}
		rep.Says |= f.Field
	}
	if unknown.NotKnown() != 0 {
		rep.Units = []judge.Unit{{States: unknown}}
	}
	return rep, nil
}

func sayable() []string {
	var names []string
	for _, f := range task.EachField() {
		if sayers[f.Field] != nil {
			names = append(names, f.Name)
		}
	}
	return names
}

// sayers read the value of a field.
var sayers = map[task.Fields]func(r *judge.Report, data json.RawMessage) error{
	task.VIN:          func(r *judge.Report, data json.RawMessage) error { return json.Unmarshal(data, &r.VIN) },
	task.Stored:       func(r *judge.Report, data json.RawMessage) error { return json.Unmarshal(data, &r.Stored) },
	task.Pending:      func(r *judge.Report, data json.RawMessage) error { return json.Unmarshal(data, &r.Pending) },
	task.Permanent:    func(r *judge.Report, data json.RawMessage) error { return json.Unmarshal(data, &r.Permanent) },
	task.Count:        func(r *judge.Report, data json.RawMessage) error { return json.Unmarshal(data, &r.Count) },
	task.Calibrations: func(r *judge.Report, data json.RawMessage) error { return json.Unmarshal(data, &r.Calibrations) },
	task.ECUs: func(r *judge.Report, data json.RawMessage) error {
		err := json.Unmarshal(data, &r.ECUs)
		for i := range r.ECUs {
			r.ECUs[i] = strings.ToUpper(r.ECUs[i])
		}
		r.Addresses = r.ECUs
		return err
	},
	task.Lamp: func(r *judge.Report, data json.RawMessage) error {
		word, err := oneOf(data, task.Lamp)
		r.Lamp = word == "on"
		return err
	},
	task.Learn: func(r *judge.Report, data json.RawMessage) (err error) {
		r.Learn, err = oneOf(data, task.Learn)
		return err
	},
	task.Output: func(r *judge.Report, data json.RawMessage) (err error) {
		r.Output, err = oneOf(data, task.Output)
		return err
	},
	task.Readiness: func(r *judge.Report, data json.RawMessage) error {
		var states map[string]string
		if err := json.Unmarshal(data, &states); err != nil {
			return err
		}
		for _, name := range slices.Sorted(maps.Keys(states)) {
			if err := known(states[name], task.Readiness); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			r.Readiness = append(r.Readiness, judge.Readiness{Monitor: name, State: states[name]})
		}
		return nil
	},
	task.Live: func(r *judge.Report, data json.RawMessage) error {
		var values map[string]float64
		if err := json.Unmarshal(data, &values); err != nil {
			return err
		}
		for _, name := range slices.Sorted(maps.Keys(values)) {
			r.Live = append(r.Live, judge.Live{Name: name, Value: values[name]})
		}
		return nil
	},
}

// oneOf reads one of a field's words.
func oneOf(data json.RawMessage, field task.Fields) (string, error) {
	var word string
	if err := json.Unmarshal(data, &word); err != nil {
		return "", err
	}
	return word, known(word, field)
}

func known(word string, field task.Fields) error {
	for _, f := range task.EachField() {
		if f.Field == field && !slices.Contains(f.Words, word) {
			return fmt.Errorf("%q, expected one of %s", word, strings.Join(f.Words, ", "))
		}
	}
	return nil
}
