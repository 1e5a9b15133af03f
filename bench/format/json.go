package format

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
)

// CheckJSON looks for the version in a JSON object; the error is a *Problem with its
// place. Nil is a version that can be read, or a text without one or that is no JSON,
// which its loader says.
func (k Kind) CheckJSON(data []byte) error {
	d := json.NewDecoder(bytes.NewReader(data))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return nil
	}
	for d.More() {
		key, err := d.Token()
		if err != nil {
			return nil
		}
		var value json.RawMessage
		if err := d.Decode(&value); err != nil {
			return nil
		}
		if key != k.Key {
			continue
		}
		version, err := strconv.Atoi(string(value))
		if err != nil {
			return nil // no whole number: the loader says so
		}
		if p := k.Check(version); p != nil {
			p.Line, p.Column = At(data, d.InputOffset()-int64(len(value)))
			return p
		}
		return nil
	}
	return nil
}

// Place is ":line:column" of an error of decoding JSON, where it knows its place.
func Place(data []byte, err error) string {
	var (
		syntax  *json.SyntaxError
		kind    *json.UnmarshalTypeError
		version *Problem
		offset  int64
	)
	switch {
	case errors.As(err, &version) && version.Line > 0:
		return fmt.Sprintf(":%d:%d", version.Line, version.Column)
	case errors.As(err, &syntax):
		offset = syntax.Offset
	case errors.As(err, &kind):
		offset = kind.Offset
	case errors.Is(err, io.ErrUnexpectedEOF):
		offset = int64(len(data))
	default:
		return ""
	}
	line, column := At(data, offset)
	return fmt.Sprintf(":%d:%d", line, column)
}

// At is the line and column of an offset, from 1.
func At(data []byte, offset int64) (line, column int) {
	before := data[:min(offset, int64(len(data)))]
	return bytes.Count(before, []byte("\n")) + 1, len(before) - bytes.LastIndexByte(before, '\n')
}
