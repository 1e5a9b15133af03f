package tool

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"sawhorse/bench/task"
)

// Ended is how a person says that a task has ended.
type Ended string

// The ends.
const (
	EndedDone        Ended = "done"
	EndedRefused     Ended = "refused"
	EndedNotPossible Ended = "not possible"
)

// Typed puts together what a person types of what a tool showed, line by line, and checks
// each line as it is typed. The zero value has nothing typed.
type Typed struct {
	r     Report
	reads task.Fields
	ended Ended
	// why is what was typed behind the end, cause what the person takes for the cause.
	why, cause string
}

// Take reads one line and gives what to answer; done says that it has ended the task.
// A line that cannot be taken changes nothing.
func (t *Typed) Take(line string) (answer string, done bool) {
	word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
	rest = strings.TrimSpace(rest)
	switch strings.ToLower(word) {
	case "", "done":
		t.ended, t.why = EndedDone, rest
		return "", true
	case "refused":
		t.ended, t.why = EndedRefused, rest
		return "", true
	case "not":
		if what, why, _ := strings.Cut(rest, " "); strings.EqualFold(what, "possible") {
			t.ended, t.why = EndedNotPossible, why
			return "", true
		}
	case "cause":
		t.cause = rest
		return "noted: cause " + rest, false
	case "?", "help":
		return t.help(), false
	}
	f, ok := task.FieldOf(strings.ToLower(word))
	if !ok {
		return fmt.Sprintf("%q is not understood: type ? for what can be typed", word), false
	}
	if err := t.take(&f, rest); err != nil {
		return fmt.Sprintf("not taken: %v", err), false
	}
	return "noted: " + f.Name + " " + rest, false
}

// take reads the value of a field.
func (t *Typed) take(f *task.Field, rest string) (err error) {
	words := strings.FieldsFunc(rest, func(r rune) bool { return r == ' ' || r == ',' || r == '=' })
	if len(words) == 0 {
		return fmt.Errorf("%s of what? %s", f.Name, example(f))
	}
	state := task.Said
	if len(words) == 1 && strings.EqualFold(words[0], "unknown") {
		words, state = nil, task.Unknown
	} else if len(words) == 1 && strings.EqualFold(words[0], "none") {
		if !f.Shape.List() {
			return fmt.Errorf("%s has a value, expected %s", f.Name, example(f))
		}
		words, state = nil, task.Empty
	}
	if err := t.set(f, words, state); err != nil {
		return err
	}
	t.reads |= f.Field
	i := slices.IndexFunc(t.r.Told, func(x Told) bool { return x.ECU == "" })
	if i < 0 {
		t.r.Told = append(t.r.Told, Told{})
		i = len(t.r.Told) - 1
	}
	if old := t.r.Told[i].States.Of(f.Field); f.Shape != task.Values && f.Shape != task.Named || old != task.Said {
		t.r.Told[i].States.Set(f.Field, state)
	}
	return nil
}

// set checks words and puts them into the report.
func (t *Typed) set(f *task.Field, words []string, state task.State) error {
	r := &t.r
	switch f.Field {
	case task.VIN:
		return t.vin(words, state)
	case task.ECUs:
		r.ECUs = listOf(state, words, func(w string) ECU { return ECU{Name: w, Address: strings.ToUpper(w)} })
	case task.Calibrations:
		r.Calibrations = listOf(state, words, func(w string) Calibration { return Calibration{ID: w} })
	case task.Stored, task.Pending, task.Permanent, task.Freeze:
		return t.codes(f, words, state)
	case task.Count:
		r.Count = nil
		if state == task.Said {
			n, err := strconv.Atoi(words[0])
			if err != nil || n < 0 || len(words) > 1 {
				return fmt.Errorf("%q is no number of codes, expected %s", strings.Join(words, " "), example(f))
			}
			r.Count = &n
		}
	case task.Live:
		return t.live(words, state)
	default:
		return t.word(f, words, state)
	}
	return nil
}

func (t *Typed) vin(words []string, state task.State) error {
	t.r.VIN, t.r.HasVIN = "", false
	if state != task.Said {
		return nil
	}
	vin := strings.ToUpper(strings.Join(words, ""))
	if len(vin) != 17 {
		return fmt.Errorf("%q has %d characters, a vehicle's number has 17", vin, len(vin))
	}
	if strings.Trim(vin, "0123456789ABCDEFGHJKLMNPRSTUVWXYZ") != "" {
		return fmt.Errorf("%q holds a character that no vehicle's number has (I, O, Q and signs)", vin)
	}
	t.r.VIN, t.r.HasVIN = vin, true
	return nil
}

func (t *Typed) codes(f *task.Field, words []string, state task.State) error {
	var list []Code
	for _, w := range words {
		m := codePattern.FindStringSubmatch(strings.ToUpper(w))
		if m == nil {
			return fmt.Errorf("%q is no code, expected a letter of P, C, B, U and four digits, such as P0113", w)
		}
		list = append(list, Code{Code: m[1], FailureType: m[2]})
	}
	if state == task.Empty {
		list = []Code{}
	}
	switch f.Field {
	case task.Stored:
		t.r.Stored = list
	case task.Pending:
		t.r.Pending = list
	case task.Permanent:
		t.r.Permanent = list
	default:
		t.r.FreezeFrames = listOf(state, list, func(c Code) FreezeFrame { return FreezeFrame{Code: c.Code} })
	}
	return nil
}

func (t *Typed) live(words []string, state task.State) error {
	if state != task.Said {
		t.r.Live = listOf(state, words, func(string) Value { return Value{} })
		return nil
	}
	if len(words) < 2 {
		return fmt.Errorf("a value wants a name and a number, such as live coolant_c 83")
	}
	name := words[0]
	v, ok := parseNumber(words[1])
	if !ok {
		return fmt.Errorf("%q is no number", words[1])
	}
	if !signalPattern.MatchString(name) {
		return fmt.Errorf("%q is no name of a value, expected one such as coolant_c", name)
	}
	t.r.Live = slices.DeleteFunc(t.r.Live, func(x Value) bool { return x.Signal == name })
	t.r.Live = append(t.r.Live, Value{Signal: name, Value: v})
	return nil
}

// word reads lamp, learn, output and readiness.
func (t *Typed) word(f *task.Field, words []string, state task.State) error {
	last := ""
	if state == task.Said {
		last = strings.ToLower(words[len(words)-1])
		if !slices.Contains(f.Words, last) {
			return fmt.Errorf("%s is %q, expected one of %s", f.Name, last, strings.Join(f.Words, ", "))
		}
	}
	switch f.Field {
	case task.Lamp:
		t.r.MIL = nil
		if state == task.Said {
			on := last == f.Words[0]
			t.r.MIL = &on
		}
	case task.Learn:
		t.r.Learn = nil
		if state == task.Said {
			if last == task.LearnDone {
				last = "learned"
			}
			t.r.Learn = &LearnResult{Outcome: last}
		}
	case task.Output:
		t.r.Output = nil
		if state == task.Said {
			t.r.Output = &OutputResult{Outcome: last}
		}
	case task.Readiness:
		if state != task.Said {
			t.r.Readiness = listOf(state, words, func(string) Monitor { return Monitor{} })
			return nil
		}
		if len(words) != 2 || last == "unsupported" {
			return fmt.Errorf("a monitor wants a name and a state, such as readiness catalyst complete")
		}
		t.r.Readiness = slices.DeleteFunc(t.r.Readiness, func(m Monitor) bool { return m.Name == words[0] })
		t.r.Readiness = append(t.r.Readiness, Monitor{Name: words[0], Ready: last == "complete"})
	}
	return nil
}

// listOf makes a list of what was said, an empty one of none, and none of unknown.
func listOf[A, B any](state task.State, from []A, make1 func(A) B) []B {
	if state == task.Unknown {
		return nil
	}
	list := []B{}
	for _, x := range from {
		list = append(list, make1(x))
	}
	return list
}

// example shows how a field is typed.
func example(f *task.Field) string {
	switch f.Shape {
	case task.Number:
		return f.Name + " and 17 characters"
	case task.Units:
		return f.Name + " 7E0 7E1"
	case task.Codes:
		return f.Name + " P0113 P0335, or " + f.Name + " none"
	case task.Texts:
		return f.Name + " AB-1 AB-2"
	case task.Whole:
		return f.Name + " 2"
	case task.Values:
		return f.Name + " coolant_c 83"
	case task.Named:
		return f.Name + " catalyst " + strings.Join(f.Words[:2], " or ")
	default:
		return f.Name + " " + strings.Join(f.Words, " or ")
	}
}

// help lists what can be typed.
func (t *Typed) help() string {
	var b strings.Builder
	b.WriteString("What the tool shows, a line each (unknown where it says that it does not know):\n")
	for _, f := range task.EachField() {
		fmt.Fprintf(&b, "  %s\n", example(&f))
	}
	b.WriteString("  cause, and what you take for the cause\n")
	b.WriteString("The end of the task: done (or Enter alone), refused, not possible; why may follow.")
	return b.String()
}

// Report is what was typed; Reads are the fields that it tells.
func (t *Typed) Report() (r Report, reads task.Fields) {
	r = t.r
	if t.cause != "" {
		r.Extra = append(slices.Clone(r.Extra), Extra{Name: "cause", Value: t.cause})
	}
	return r, t.reads
}

// Ended is how the task ended, and why, "" while it has not.
func (t *Typed) Ended() (Ended, string) { return t.ended, t.why }

// Untold are the names of the fields of a set that were not typed.
func (t *Typed) Untold(of task.Fields) []string {
	var names []string
	for _, f := range task.EachField() {
		if of.Has(f.Field) && !t.reads.Has(f.Field) {
			names = append(names, f.Name)
		}
	}
	return names
}
