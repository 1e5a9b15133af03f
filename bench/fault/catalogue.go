package fault

import (
	"embed"
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
		if err := e.checkAct(b.act); err != nil {
			return d.Errorf(p, "%v", err)
		}
		if a, ok := b.act.(named); ok {
			a.call(e.ID)
		}
		e.acts = append(e.acts, b)
	}
	if len(e.acts) == 0 {
		return d.Errorf(at, "fault %s has no acts, want at least one", e.ID)
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
