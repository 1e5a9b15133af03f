package tool

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"sawhorse/bench/task"
)

// ExtractError says that output is not as the profile says.
type ExtractError struct {
	// Profile and Line are where the mapping entry stands, Entry its name.
	Profile string
	Line    int
	Entry   string
	// Where is the place in the output: a normalized path (RFC 9535) or a line.
	Where string
	// Found and Want are what is there and what was expected.
	Found, Want string
}

// Error names all of it in one line.
func (e *ExtractError) Error() string {
	s := fmt.Sprintf("%s:%d: %s", e.Profile, e.Line, e.Entry)
	if e.Where != "" {
		s += " at " + e.Where
	}
	return fmt.Sprintf("%s: found %s, expected %s", s, e.Found, e.Want)
}

// maxExtractErrors bounds the errors of one output.
const maxExtractErrors = 20

// Extract reads what the tool printed on standard output for an entry. The
// report holds whatever could be read; the error joins *ExtractError, at most
// 20 of them. Without an output mapping the report is empty.
func (p *Profile) Extract(e *Entry, stdout []byte) (Report, error) {
	x := &extractor{file: p.source.file}
	switch {
	case e.output.json != nil:
		x.document(e, stdout)
	case e.output.lines != nil:
		x.text(e.output.lines, stdout)
	}
	return x.r, errors.Join(x.errs...)
}

// extractor fills one report.
type extractor struct {
	file string
	r    Report
	errs []error
	// unknown are the values that mean so; sawUnknown that the last field had one.
	unknown    []string
	sawUnknown bool
}

func (x *extractor) fail(line int, entry, where, found, want string) {
	if len(x.errs) < maxExtractErrors {
		x.errs = append(x.errs, &ExtractError{x.file, line, entry, where, found, want})
	}
}

// codePattern is a code of SAE J2012 with or without a failure type byte.
var codePattern = regexp.MustCompile(`^([PCBU][0-3][0-9A-F]{3})(?:-([0-9A-F]{2}))?$`)

const codeWanted = "a trouble code such as P080A or P080A-00"

// parseCode reads a code as tools write it.
func parseCode(text string) (Code, bool) {
	m := codePattern.FindStringSubmatch(strings.ToUpper(strings.TrimSpace(text)))
	if m == nil {
		return Code{}, false
	}
	return Code{Code: m[1], FailureType: m[2]}, true
}

const vinWanted = "17 digits and letters without I, O, Q"

var vinPattern = regexp.MustCompile(`^[0-9A-HJ-NPR-Z]{17}$`)

// telling reads one field of a control unit and notes its state.
func (x *extractor) telling(ecu string, f task.Fields, read func() task.State) {
	x.sawUnknown = false
	s := read()
	if s == task.NotSaid && x.sawUnknown {
		s = task.Unknown
	}
	if s != task.NotSaid {
		x.r.tell(ecu, f, s)
	}
}

// listState is the state of a list that is there, with so many entries, or not.
func listState(present bool, entries int) task.State {
	switch {
	case !present:
		return task.NotSaid
	case entries == 0:
		return task.Empty
	}
	return task.Said
}

// said is the state of a value that is there or not.
func said(ok bool) task.State {
	if ok {
		return task.Said
	}
	return task.NotSaid
}

func (x *extractor) setVIN(line int, entry, where, text string) {
	vin := strings.ToUpper(strings.TrimSpace(text))
	if !vinPattern.MatchString(vin) {
		x.fail(line, entry, where, quote(text), vinWanted)
		return
	}
	x.r.VIN, x.r.HasVIN = vin, true
}

// convert applies a conversion.
func (m signalMap) convert(v float64) float64 { return v*m.factor + m.offset }

// value makes a reading out of a name and a number of the tool's; false where
// a table of names leaves it out.
func convertNamed(names map[string]signalMap, name, unit string, v float64) (Value, bool) {
	if names == nil {
		return Value{Signal: name, Value: v, Unit: unit}, true
	}
	m, ok := names[name]
	if !ok {
		return Value{}, false
	}
	if m.unit != "" {
		unit = m.unit
	}
	return Value{Signal: m.signal, Value: m.convert(v), Unit: unit}, true
}

// parseNumber reads a number; infinities and NaN are none.
func parseNumber(text string) (float64, bool) {
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	return v, err == nil && v-v == 0
}

// translate looks a word up; without a table the word itself counts, if it is
// one of the set.
func translate(words map[string]string, set []string, word string) (string, bool) {
	if words != nil {
		w, ok := words[word]
		return w, ok
	}
	if set == nil {
		return word, true
	}
	for _, s := range set {
		if s == word {
			return s, true
		}
	}
	return "", false
}

func wanted(words map[string]string, set []string) string {
	if words != nil {
		return "one of " + keysOf(words)
	}
	return "one of " + strings.Join(set, ", ")
}

// quote shows a text of the tool, shortened.
func quote(s string) string {
	if len(s) > 60 {
		s = strings.ToValidUTF8(s[:60], "") + "..."
	}
	return strconv.Quote(s)
}

// list makes an absent list present.
func list[T any](s *[]T) {
	if *s == nil {
		*s = []T{}
	}
}
