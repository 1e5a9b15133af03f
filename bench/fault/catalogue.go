package fault

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"sync"

	"sawhorse/bench/car/strict"
)

//go:generate go test . -run TreesAreCurrent -update

// The files of the catalogue and its drives, and what parsing them gives.
var (
	//go:embed catalogue/*.yaml drives.yaml
	files embed.FS
	//go:embed trees.bin
	trees string

	builtIn = sync.OnceValue(func() strict.Files { return strict.Packed(files, trees) })
)

// catalogue is read once, when it is first asked for; the files are part of the
// program, so a mistake in them is one in the program, and a test reads them all.
var catalogue = sync.OnceValue(func() []*Entry {
	list, err := load(builtIn())
	if err != nil {
		panic(err)
	}
	return list
})

// Catalogue lists the faults by group, in the order of the files. The entries
// must not be changed.
func Catalogue() []*Entry { return slices.Clone(catalogue()) }

// IDs lists the names of the faults.
func IDs() []string {
	var ids []string
	for _, e := range catalogue() {
		ids = append(ids, e.ID)
	}
	return ids
}

// group is one file of the catalogue.
type group struct {
	Group  string   `yaml:"group"`
	Faults []*Entry `yaml:"faults"`
}

// actSpec is an act as it is written: one of its fields is set.
type actSpec struct {
	// If names a parameter of kind bool that brings the act about; Unless one
	// that does away with it.
	If      string      `yaml:"if"`
	Unless  string      `yaml:"unless"`
	Wire    *wireAct    `yaml:"wire"`
	Rail    *railAct    `yaml:"rail"`
	Plug    *plugAct    `yaml:"plug_off"`
	Forget  *forgetAct  `yaml:"forget"`
	Cable   *cableAct   `yaml:"cable_off"`
	Frames  *framesAct  `yaml:"frames"`
	Padding *paddingAct `yaml:"padding"`
	Babble  *babbleAct  `yaml:"babble"`
	BusOff  *busOffAct  `yaml:"bus_off"`
	Hit     *hitAct     `yaml:"bit_error"`
	Answer  *answersAct `yaml:"answers"`
	Unit    *unitAct    `yaml:"unit"`
	Signal  *signalAct  `yaml:"signal"`
	Part    *partAct    `yaml:"part"`
	Skew    *skewAct    `yaml:"skew"`
	Swap    *swapAct    `yaml:"swap_pins"`
	Fuse    *fuseAct    `yaml:"blow"`
	Silent  *silentAct  `yaml:"silent"`
	Store   *storeAct   `yaml:"store"`
	Key     *keyAct     `yaml:"key"`
	Copper  *copperAct  `yaml:"copper"`
}

// boundAct is an act with its condition.
type boundAct struct {
	act
	If  string
	Not bool
}

func (s *actSpec) bind() (boundAct, error) {
	var b boundAct
	b.If = s.If
	if s.Unless != "" {
		b.If, b.Not = s.Unless, true
	}
	n := 0
	for _, a := range []struct {
		set bool
		act act
	}{
		{s.Wire != nil, s.Wire}, {s.Rail != nil, s.Rail}, {s.Plug != nil, s.Plug},
		{s.Forget != nil, s.Forget}, {s.Cable != nil, s.Cable},
		{s.Frames != nil, s.Frames}, {s.Padding != nil, s.Padding}, {s.Babble != nil, s.Babble}, {s.BusOff != nil, s.BusOff}, {s.Hit != nil, s.Hit},
		{s.Answer != nil, s.Answer}, {s.Unit != nil, s.Unit}, {s.Signal != nil, s.Signal},
		{s.Part != nil, s.Part}, {s.Skew != nil, s.Skew}, {s.Swap != nil, s.Swap}, {s.Fuse != nil, s.Fuse},
		{s.Silent != nil, s.Silent}, {s.Store != nil, s.Store}, {s.Key != nil, s.Key}, {s.Copper != nil, s.Copper},
	} {
		if a.set {
			b.act = a.act
			n++
		}
	}
	if n != 1 || s.If != "" && s.Unless != "" {
		return b, fmt.Errorf("%d acts, want exactly one of wire, rail, plug_off, forget, cable_off, frames, padding, babble, bus_off, bit_error, answers, unit, part, skew, swap_pins, blow, silent, store, key, copper, with if or unless or neither", n)
	}
	return b, nil
}

func load(fsys fs.FS) ([]*Entry, error) {
	names, err := fs.Glob(fsys, "catalogue/*.yaml")
	if err != nil {
		return nil, err
	}
	var list []*Entry
	seen := map[string]string{}
	for _, name := range names {
		src, err := strict.Open(fsys, name, path.Base(name))
		if err != nil {
			return nil, err
		}
		es, err := parse(src)
		if err != nil {
			return nil, err
		}
		for _, e := range es {
			if other, ok := seen[e.ID]; ok {
				return nil, fmt.Errorf("%s: fault %q is in %s already", name, e.ID, other)
			}
			seen[e.ID] = name
			list = append(list, e)
		}
	}
	return list, nil
}

var (
	idPattern   = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	codePattern = regexp.MustCompile(`^[PCBU][0-3][0-9A-F]{3}$`)
)

// parse reads one file of the catalogue. The error names file, line and column.
func parse(src strict.Source) ([]*Entry, error) {
	var g group
	d, err := src.Decode(&g)
	if err != nil {
		return nil, err
	}
	if g.Group == "" {
		return nil, d.Errorf("$.group", "a group without a name, want one")
	}
	for i, e := range g.Faults {
		at := fmt.Sprintf("$.faults[%d]", i)
		if e == nil {
			return nil, d.Errorf(at, "an empty entry, want a fault")
		}
		e.Group = g.Group
		if err := e.check(d, at); err != nil {
			return nil, err
		}
	}
	return g.Faults, nil
}

func (e *Entry) check(d *strict.Doc, at string) error {
	if !idPattern.MatchString(e.ID) {
		return d.Errorf(at+".fault", "fault %q, want lower-case words joined by -", e.ID)
	}
	for _, w := range []struct{ key, text string }{
		{"title", e.Title}, {"cause", e.Cause}, {"driver_sees", e.Driver}, {"found_by", e.Finding}, {"mended_by", e.Mending},
	} {
		if w.text == "" {
			return d.Errorf(at, "fault %s has no %s, want some words", e.ID, w.key)
		}
	}
	if err := e.checkParams(d, at); err != nil {
		return err
	}
	if e.Chooses {
		e.Params = append(e.Params, choosing...)
	}
	if e.Signals {
		e.Params = append(e.Params, choosingSignal...)
	}
	if e.Answers {
		e.Params = append(e.Params, choosingAnswers...)
	}
	if err := e.checkCodes(d, at+".codes", e.Codes); err != nil {
		return err
	}
	if e.Symptom != nil {
		if err := e.Symptom.check(d, at+".symptom"); err != nil {
			return err
		}
	}
	for i, m := range e.Also {
		p := fmt.Sprintf("%s.also[%d]", at, i)
		if !e.hasBool(m.If) && (m.Is == "" || !e.hasWord(m.If, m.Is)) {
			return d.Errorf(p, "if is %q, want a parameter of kind bool, or with is a text and one of its words", m.If)
		}
		if err := e.checkCodes(d, p+".codes", m.Codes); err != nil {
			return err
		}
	}
	for i := range e.Acts {
		p := fmt.Sprintf("%s.acts[%d]", at, i)
		b, err := e.Acts[i].bind()
		if err != nil {
			return d.Errorf(p, "%v", err)
		}
		if b.If != "" && !e.hasBool(b.If) {
			return d.Errorf(p, "the condition is %q, want a parameter of kind bool", b.If)
		}
		if err := e.checkAct(&e.Acts[i]); err != nil {
			return d.Errorf(p, "%v", err)
		}
		switch a := b.act.(type) {
		case *framesAct:
			a.name = e.ID
		case *paddingAct:
			a.name = e.ID
		case *hitAct:
			a.name = e.ID
		case *answersAct:
			a.name = e.ID
		case *signalAct:
			a.name = e.ID
		}
		e.acts = append(e.acts, b)
	}
	if len(e.acts) == 0 {
		return d.Errorf(at, "fault %s has no acts, want at least one", e.ID)
	}
	return nil
}

// checkAct checks that what an act names is there: parameters for its numbers,
// a wire's state with what it needs for every value of a parameter.
func (e *Entry) checkAct(s *actSpec) error {
	if err := e.checkNames(s); err != nil {
		return err
	}
	var w *Wiring
	switch {
	case s.Wire != nil:
		w = &s.Wire.Wiring
	case s.Rail != nil:
		w = &s.Rail.Wiring
	case s.Forget != nil && (s.Forget.ECU == "" || len(s.Forget.Values) == 0):
		return errors.New("forget without ecu or values, want both")
	}
	if w == nil {
		return nil
	}
	p := e.defaults()
	for _, of := range []struct{ name, kind string }{{w.StateOf, Text}, {w.OhmOf, Number}, {w.OpenOf, Number}, {w.PeriodOf, Number}} {
		if of.name != "" && !slices.ContainsFunc(e.Params, func(q Param) bool { return q.Name == of.name && q.Kind == of.kind }) {
			return fmt.Errorf("%q, want a parameter of kind %s", of.name, of.kind)
		}
	}
	states := []string{w.State}
	if i := slices.IndexFunc(e.Params, func(q Param) bool { return q.Name == w.StateOf }); i >= 0 {
		states = e.Params[i].Words
	}
	for _, state := range states {
		one := *w
		one.State, one.StateOf = state, ""
		if _, err := one.of(p); err != nil {
			return err
		}
	}
	return nil
}

func (e *Entry) checkParams(d *strict.Doc, at string) error {
	for i := range e.Params {
		p, path := &e.Params[i], fmt.Sprintf("%s.params[%d]", at, i)
		if p.Name == "" || slices.ContainsFunc(e.Params[:i], func(q Param) bool { return q.Name == p.Name }) {
			return d.Errorf(path+".name", "parameter %q, want a name of its own", p.Name)
		}
		if err := d.Word(path+".kind", p.Kind, Number, Bool, Text); err != nil {
			return err
		}
		v, err := p.accept(p.Default)
		if err != nil {
			return d.Errorf(path+".default", "the default of %v", err)
		}
		p.Default = v
	}
	return nil
}

// checkCodes checks codes; one may have the value of a whole parameter in it.
func (e *Entry) checkCodes(d *strict.Doc, at string, codes []string) error {
	p := e.defaults()
	for i, c := range codes {
		if err := e.checkBraces(c); err != nil {
			return d.Errorf(fmt.Sprintf("%s[%d]", at, i), "%v", err)
		}
		c = fill(c, p)
		if !codePattern.MatchString(c) {
			return d.Errorf(fmt.Sprintf("%s[%d]", at, i), "code %q, want a letter P C B U, a digit 0 to 3 and three hex digits", c)
		}
	}
	return nil
}

func (e *Entry) defaults() Params {
	p := Params{}
	for i := range e.Params {
		p[e.Params[i].Name] = e.Params[i].Default
	}
	return p
}

// hasWord reports whether a parameter can be a word: one of its words, or any if it has
// none.
func (e *Entry) hasWord(name, word string) bool {
	return slices.ContainsFunc(e.Params, func(p Param) bool {
		return p.Name == name && p.Kind == Text && (len(p.Words) == 0 || slices.Contains(p.Words, word))
	})
}

func (e *Entry) hasBool(name string) bool {
	return slices.ContainsFunc(e.Params, func(p Param) bool { return p.Name == name && p.Kind == Bool })
}

// checkNames checks the parameters that an act's names and numbers come from.
func (e *Entry) checkNames(s *actSpec) error {
	var names []string
	var amounts []Amount
	switch {
	case s.Wire != nil:
		names = []string{s.Wire.Circuit}
	case s.Rail != nil:
		names = []string{s.Rail.Rail}
	case s.Plug != nil:
		names = []string{s.Plug.Connector}
	case s.Part != nil:
		names, amounts = []string{s.Part.Part}, []Amount{s.Part.Amount}
	case s.Skew != nil:
		names, amounts = []string{s.Skew.Circuit}, []Amount{s.Skew.Gain, s.Skew.Offset, s.Skew.Drift, s.Skew.Lag}
		if s.Skew.Stuck != nil {
			amounts = append(amounts, *s.Skew.Stuck)
		}
	case s.Swap != nil:
		names = s.Swap.Circuits[:]
	case s.Fuse != nil:
		names = []string{s.Fuse.Fuse}
	case s.Silent != nil:
		names = []string{s.Silent.ECU}
	case s.Store != nil:
		names, amounts = []string{s.Store.ECU, s.Store.Name}, []Amount{s.Store.Amount}
	}
	for _, n := range names {
		if n == "" {
			return errors.New("an act without a name, want what it is done to")
		}
		if err := e.checkBraces(n); err != nil {
			return err
		}
	}
	for _, a := range amounts {
		if a.ValueOf != "" && !slices.ContainsFunc(e.Params, func(q Param) bool { return q.Name == a.ValueOf && q.Kind == Number }) {
			return fmt.Errorf("%q, want a parameter of kind number", a.ValueOf)
		}
	}
	return nil
}
