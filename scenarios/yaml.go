package scenarios

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"

	"sawhorse/bench/depth"
	"sawhorse/bench/judge/cel"
)

// Bounds of a scenario file.
const (
	maxFile = 256 << 10
	// maxMessage bounds what of the file is shown in a message, in characters.
	maxMessage = 200
)

// reader walks the tree of one file and collects what is wrong.
type reader struct {
	file string
	src  []string // lines, for places inside block texts
	lang *cel.Language
	// controls are those of the scenario's car; none means all.
	controls []string
	// drives are those that it can be driven.
	drives []DriveKind
	// signals are those of the car's own.
	signals []Movable
	// carless refuses conditions: there is no car whose state they could tell.
	carless bool
	errs    Errors
	// conds are looked at again when the tasks and faults are known.
	conds      []placed
	faultNames []placedName
}

type placed struct {
	n ast.Node
	c *cel.Condition
}

type placedName struct {
	n    ast.Node
	name string
}

// field is one key of a mapping and what reads its value.
type field struct {
	name     string
	required bool
	read     func(ast.Node)
}

// parse gives the one document of a file.
func (r *reader) parse(data []byte) (root ast.Node) {
	if len(data) > maxFile {
		r.add(1, 1, fmt.Sprintf("the file has %d bytes", len(data)), fmt.Sprintf("at most %d", maxFile))
		return nil
	}
	if !utf8.Valid(data) {
		r.add(1, 1, "the file is not text", "UTF-8")
		return nil
	}
	// The parser is not ours and reads what comes from outside.
	defer func() {
		if p := recover(); p != nil {
			root = nil
			r.add(1, 1, fmt.Sprintf("the YAML cannot be parsed (%v)", p), "YAML")
		}
	}()
	r.src = strings.Split(string(data), "\n")
	tokens := lexer.Tokenize(string(data))
	if t := depth.Exceeded(tokens); t != nil {
		r.add(t.Position.Line, max(t.Position.Column, 1), "the file is nested too deep", fmt.Sprintf("at most %d", depth.Most))
		return nil
	}
	f, err := parser.Parse(tokens, 0)
	if err != nil {
		r.syntax(err)
		return nil
	}
	var docs []ast.Node
	for _, d := range f.Docs {
		if d.Body != nil {
			docs = append(docs, d.Body)
		}
	}
	switch len(docs) {
	case 0:
		r.add(1, 1, "the file is empty", "a scenario")
		return nil
	case 1:
		return docs[0]
	}
	r.fail(docs[1], "a second document", "one scenario a file")
	return nil
}

func (r *reader) syntax(err error) {
	var e yaml.Error
	if errors.As(err, &e) && e.GetToken() != nil {
		p := e.GetToken().Position
		r.add(p.Line, max(p.Column, 1), e.GetMessage(), "YAML")
		return
	}
	r.add(1, 1, err.Error(), "YAML")
}

func (r *reader) add(line, column int, what, want string) {
	if n := []rune(what); len(n) > maxMessage {
		what = string(n[:maxMessage]) + "..."
	}
	if len(r.errs) < maxErrors {
		r.errs = append(r.errs, &Error{r.file, line, column, what, want})
	}
}

// fail reports a mistake at a node.
func (r *reader) fail(n ast.Node, what, want string) {
	line, column := place(n)
	r.add(line, column, what, want)
}

// place is where a node begins. A mapping's own token is its first colon, so its
// first key is asked.
func place(n ast.Node) (line, column int) {
	switch m := n.(type) {
	case *ast.MappingNode:
		if !m.IsFlowStyle && len(m.Values) > 0 {
			return place(m.Values[0].Key)
		}
	case *ast.MappingValueNode:
		return place(m.Key)
	}
	if n == nil || n.GetToken() == nil {
		return 1, 1
	}
	p := n.GetToken().Position
	return max(p.Line, 1), max(p.Column, 1)
}

// kindOf is the name of a node's type for messages.
func kindOf(n ast.Node) string {
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a mapping"
	case *ast.SequenceNode:
		return "a list"
	case *ast.NullNode:
		return "nothing"
	case *ast.BoolNode:
		return "a truth value"
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return "a number"
	case *ast.StringNode, *ast.LiteralNode:
		return "a text"
	case *ast.AnchorNode, *ast.AliasNode:
		return "an anchor or alias"
	case *ast.TagNode:
		return "a tag"
	}
	return "something else"
}

// entries lists the pairs of a mapping; false after reporting another type.
func (r *reader) entries(n ast.Node, what string) ([]*ast.MappingValueNode, bool) {
	switch m := n.(type) {
	case *ast.MappingNode:
		return m.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{m}, true
	}
	r.fail(n, kindOf(n), what)
	return nil, false
}

func isMapping(n ast.Node) bool {
	_, ok := n.(*ast.MappingNode)
	return ok
}

// key is the text of a mapping's key.
func (r *reader) key(v *ast.MappingValueNode) (string, bool) {
	if s, ok := v.Key.(*ast.StringNode); ok {
		return s.Value, true
	}
	r.fail(v, "a key that is no text", "a word")
	return "", false
}

// mapping reads a mapping with known keys.
func (r *reader) mapping(n ast.Node, what string, fields ...field) {
	values, ok := r.entries(n, "a mapping of "+what)
	if !ok {
		return
	}
	names := make([]string, len(fields))
	for i, f := range fields {
		names[i] = f.name
	}
	seen := map[string]bool{}
	for _, v := range values {
		name, ok := r.key(v)
		if !ok {
			continue
		}
		i := slices.Index(names, name)
		switch {
		case i < 0:
			r.fail(v, fmt.Sprintf("unknown key %q in %s", name, what), oneOf(names))
		case seen[name]:
			r.fail(v, fmt.Sprintf("key %q for a second time", name), "each key once")
		default:
			seen[name] = true
			fields[i].read(v.Value)
		}
	}
	for _, f := range fields {
		if f.required && !seen[f.name] {
			r.fail(n, fmt.Sprintf("%s without %q", what, f.name), "that key")
		}
	}
}

// list reads a list; each is called for its items.
func (r *reader) list(n ast.Node, what string, each func(ast.Node)) {
	s, ok := n.(*ast.SequenceNode)
	if !ok {
		r.fail(n, kindOf(n), "a list of "+what)
		return
	}
	for _, v := range s.Values {
		each(v)
	}
}

// text reads a text that is not empty.
func (r *reader) text(n ast.Node, what string) (string, bool) {
	s, ok := rawText(n)
	switch {
	case !ok:
		r.fail(n, kindOf(n), what)
		return "", false
	case strings.TrimSpace(s) == "":
		r.fail(n, "an empty text", what)
		return "", false
	}
	return strings.TrimSpace(s), true
}

func rawText(n ast.Node) (string, bool) {
	switch s := n.(type) {
	case *ast.StringNode:
		return s.Value, true
	case *ast.LiteralNode:
		return s.Value.Value, true
	}
	return "", false
}

func (r *reader) textInto(to *string, what string) func(ast.Node) {
	return func(n ast.Node) { *to, _ = r.text(n, what) }
}

func (r *reader) word(n ast.Node, words []string) (string, bool) {
	s, ok := rawText(n)
	if !ok {
		r.fail(n, kindOf(n), oneOf(words))
		return "", false
	}
	if !slices.Contains(words, s) {
		r.fail(n, strconv.Quote(s), oneOf(words))
		return "", false
	}
	return s, true
}

// duration reads a time of at least least.
func (r *reader) duration(n ast.Node, least time.Duration) time.Duration {
	const want = "a duration such as 500ms or 1m30s"
	s, ok := rawText(n)
	if !ok {
		r.fail(n, kindOf(n), want)
		return 0
	}
	d, err := time.ParseDuration(s)
	switch {
	case err != nil:
		r.fail(n, strconv.Quote(s), want)
		return 0
	case d < least && least == 1:
		r.fail(n, d.String(), "more than 0s")
		return 0
	case d < least:
		r.fail(n, d.String(), "at least "+least.String())
		return 0
	case d > 24*time.Hour:
		r.fail(n, d.String(), "at most 24h0m0s")
		return 0
	}
	return d
}

func (r *reader) durationInto(to *time.Duration, least time.Duration) func(ast.Node) {
	return func(n ast.Node) { *to = r.duration(n, least) }
}

// number reads a finite number within bounds.
func (r *reader) number(n ast.Node, low, high float64) (float64, bool) {
	want := "a number"
	switch {
	case high < math.Inf(1):
		want = fmt.Sprintf("a number from %g to %g", low, high)
	case low > math.Inf(-1):
		want = fmt.Sprintf("a number of at least %g", low)
	}
	var v float64
	switch x := n.(type) {
	case *ast.FloatNode:
		v = x.Value
	case *ast.IntegerNode:
		switch i := x.Value.(type) {
		case uint64:
			v = float64(i)
		case int64:
			v = float64(i)
		}
	default:
		r.fail(n, kindOf(n), want)
		return 0, false
	}
	if math.IsNaN(v) || math.IsInf(v, 0) || v < low || v > high {
		r.fail(n, strconv.FormatFloat(v, 'g', -1, 64), want)
		return 0, false
	}
	return v, true
}

// whole reads a whole number within bounds.
func (r *reader) whole(n ast.Node, low, high uint64) (uint64, bool) {
	want := fmt.Sprintf("a whole number from %d to %d", low, high)
	i, ok := n.(*ast.IntegerNode)
	if !ok {
		r.fail(n, kindOf(n), want)
		return 0, false
	}
	v, ok := i.Value.(uint64)
	if !ok || v < low || v > high {
		r.fail(n, fmt.Sprint(i.Value), want)
		return 0, false
	}
	return v, true
}

func (r *reader) truthInto(to *bool) func(ast.Node) {
	return func(n ast.Node) {
		b, ok := n.(*ast.BoolNode)
		if !ok {
			r.fail(n, kindOf(n), "true or false")
			return
		}
		*to = b.Value
	}
}

// condition compiles a CEL text; mistakes are reported at their place in the file.
func (r *reader) condition(n ast.Node) *cel.Condition {
	s, ok := rawText(n)
	if !ok {
		r.fail(n, kindOf(n), "a condition in CEL")
		return nil
	}
	if r.carless {
		r.fail(n, "a condition, and no car whose state it could tell", "a time")
		return nil
	}
	if r.lang == nil {
		return nil // the car is unknown, which is reported
	}
	c, errs := r.lang.Compile(s)
	for _, e := range errs {
		line, column := r.inside(n, s, e.Line, e.Column)
		r.add(line, column, "condition: "+e.Message, "")
	}
	if c != nil {
		r.conds = append(r.conds, placed{n, c})
	}
	return c
}

// numberOf reads an expression of a number over signals.
func (r *reader) numberOf(n ast.Node) *cel.Number {
	s, ok := rawText(n)
	if !ok {
		r.fail(n, kindOf(n), "a number in CEL")
		return nil
	}
	if r.carless {
		r.fail(n, "a number of signals, and no car that has any", "between")
		return nil
	}
	if r.lang == nil {
		return nil // the car is unknown, which is reported
	}
	x, errs := r.lang.CompileNumber(s)
	for _, e := range errs {
		line, column := r.inside(n, s, e.Line, e.Column)
		r.add(line, column, "expression: "+e.Message, "")
	}
	return x
}

func (r *reader) conditionInto(to **cel.Condition) func(ast.Node) {
	return func(n ast.Node) { *to = r.condition(n) }
}
