package tool

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"sawhorse/bench/task"
)

// ErrNoDocument says that output which must be JSON is none: whatever the profile has,
// nobody could read it. It is in the error of Extract beside where it broke off.
var ErrNoDocument = errors.New("the output is no JSON")

// ExtractError says that output is not as the profile says: the profile does not fit it.
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
	err := x.extract(e, stdout)
	return x.r, err
}

func (x *extractor) extract(e *Entry, stdout []byte) error {
	switch {
	case e.output.json != nil:
		x.document(e, stdout)
	case e.output.lines != nil:
		x.text(e.output.lines, stdout)
	}
	if x.broken {
		x.errs = append(x.errs, ErrNoDocument)
	}
	return errors.Join(x.errs...)
}

// extractor fills one report.
type extractor struct {
	file string
	r    Report
	errs []error
	// readings are kept if not nil.
	readings []Reading
	// broken says that the output is no document at all, whatever the profile wants.
	broken bool
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

// codeLike is what a tool may mean as a code, with a digit too few or a wrong letter:
// it is taken as it is said, so that a judge sees it.
var codeLike = regexp.MustCompile(`^[A-Z][0-9A-F]{2,6}$`)

// parseCode reads a code as tools write it.
func parseCode(text string) (Code, bool) {
	text = strings.ToUpper(strings.TrimSpace(text))
	if m := codePattern.FindStringSubmatch(text); m != nil {
		return Code{Code: m[1], FailureType: m[2]}, true
	}
	return Code{Code: text}, codeLike.MatchString(text)
}

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

const vinWanted = "17 digits and letters"

// vinLike is what a tool may mean as a vehicle's number. One that is cut or has a wrong
// letter is the tool's mistake, which is for a judge to find; another text is not what
// the profile takes it for.
var vinLike = regexp.MustCompile(`^[0-9A-Z]{11,20}$`)

func (x *extractor) setVIN(line int, entry, where, text string) {
	vin := strings.ToUpper(strings.TrimSpace(text))
	if !vinLike.MatchString(vin) {
		x.fail(line, entry, where, quote(text), vinWanted)
		return
	}
	x.r.VIN, x.r.HasVIN = vin, true
}

// convert applies a conversion.
func (m signalMap) convert(v float64) float64 { return float64(v*m.factor) + m.offset }

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

// parseHex reads a whole number in hexadecimal digits, with or without 0x.
func parseHex(text string) (float64, bool) {
	text = strings.TrimPrefix(strings.ToLower(strings.TrimSpace(text)), "0x")
	v, err := strconv.ParseUint(text, 16, 64)
	return float64(v), err == nil
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

// addCount adds the number of codes of one more control unit.
func (x *extractor) addCount(n int) {
	if x.r.Count != nil {
		n += *x.r.Count
	}
	x.r.Count = &n
}

// list makes an absent list present.
func list[T any](s *[]T) {
	if *s == nil {
		*s = []T{}
	}
}
