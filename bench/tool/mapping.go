package tool

import (
	"regexp"

	"github.com/goccy/go-yaml/ast"
	"github.com/theory/jsonpath"

	"sawhorse/bench/task"
)

// output says how the output is read: exactly one of them, or none.
type output struct {
	json  *mapping
	lines []lineRule
	// reads are the fields that it can tell at all.
	reads task.Fields
}

// path is a JSONPath query (RFC 9535), or several of which the first counts that finds
// anything, and where it stands in the profile.
type path struct {
	queries []*jsonpath.Path
	text    string
	entry   string
	at      place
	// key takes the key of the pair in the place of a query.
	key bool
}

// itself is the query for the item that a path starts at.
var itself = jsonpath.MustParse("$")

// mapping says which values of a JSON document are which of ours.
type mapping struct {
	group
	vin, cleared *path
	ecus         *ecuMap
	learn        *resultMap
	output       *resultMap
	extra        []extraMap
	// unknown are the values, as JSON, by which the tool says that it does not know.
	unknown []string
	// several says that the output has more than one document.
	several bool
}

// group is what a document or one control unit of it may hold.
type group struct {
	mil, count                 *path
	calibrations               *each
	stored, pending, permanent *codeMap
	live                       []liveMap
	readiness                  *monitorMap
	freeze                     *freezeMap
}

// each is a list: every node selected, and the elements of those that are
// arrays; with pairs, the pairs of those that are objects. It is absent when nothing but
// null is selected.
type each struct {
	list  *path
	pairs bool
}

// keys are the two ways to give a list.
func (e *each) keys(s *source, entry string, fields map[string]field) {
	for _, name := range []string{"each", "pairs"} {
		read := s.path(&e.list, entry+"."+name)
		fields[name] = func(k, v ast.Node) error {
			if e.list != nil {
				return s.errorf(k, "%s has each and pairs, expected one of them", entry)
			}
			e.pairs = name == "pairs"
			return read(k, v)
		}
	}
}

// fill has the key and the value of a pair stand for what a mapping of pairs leaves out,
// and wants a list that has to be there.
func (e *each) fill(s *source, n ast.Node, entry string, key, value **path) error {
	if e.list == nil {
		return s.errorf(n, "%s without \"each\", expected it, or pairs", entry)
	}
	if e.pairs && key != nil && *key == nil {
		*key = &path{text: "the key", entry: e.list.entry, at: e.list.at, key: true}
	}
	if e.pairs && value != nil && *value == nil {
		*value = &path{queries: []*jsonpath.Path{itself}, text: "the value", entry: e.list.entry, at: e.list.at}
	}
	return nil
}

// missing is a path that a mapping needs and lacks.
func (s *source) missing(n ast.Node, p *path, entry, key string) error {
	if p == nil {
		return s.errorf(n, "%s without %q, expected it", entry, key)
	}
	return nil
}

type ecuMap struct {
	each
	group
	name, address, vin *path
}

type codeMap struct {
	each
	code, failureType, ecu *path // code nil: the node itself
}

type liveMap struct {
	each                   // list nil: one value
	name, value, unit, ecu *path
	signal                 signalMap // of a single value
	names                  map[string]signalMap
}

// signalMap turns a value of the tool into one of ours: ours = theirs x factor
// + offset.
type signalMap struct {
	signal, unit   string
	factor, offset float64
	// hex says that the number is written in hexadecimal digits.
	hex bool
}

type monitorMap struct {
	each
	name, ready, ecu *path
	names            map[string]string
}

type freezeMap struct {
	each
	code, ecu *path
	values    []liveMap
}

// resultMap is how something ended that was done to something.
type resultMap struct {
	name, outcome, reason *path
	outcomes              map[string]string
}

type extraMap struct {
	name string
	path *path
}

func (s *source) output(n ast.Node) (output, error) {
	var o output
	if v, err := s.scalar(n, "output"); err == nil {
		if v != "none" {
			return o, s.errorf(n, "output is %q, expected none, or a mapping with json or lines", v)
		}
		return o, nil
	}
	err := s.mapping(n, "output", map[string]field{
		"json": func(_, v ast.Node) (err error) { o.json, err = s.jsonMapping(v, &o.reads); return err },
		"lines": func(_, v ast.Node) error {
			return s.list(v, "lines", func(_ int, item ast.Node) error {
				r, err := s.lineRule(item)
				o.lines = append(o.lines, r)
				o.reads |= r.reads()
				return err
			})
		},
	})
	if err == nil && (o.json == nil) == (o.lines == nil) {
		err = s.errorf(n, "output has json and lines, or neither, expected one of them")
	}
	return o, err
}

// path returns a reader of a JSONPath, or a list of them, into dst.
func (s *source) path(dst **path, entry string) field {
	return func(_, v ast.Node) error {
		p := &path{entry: entry, at: placeOf(v)}
		one := func(_ int, n ast.Node) error {
			text, err := s.text(n, entry)
			if err != nil {
				return err
			}
			q, err := jsonpath.Parse(text)
			if err != nil {
				return s.errorf(n, "%s is %q, expected a JSONPath (RFC 9535): %v", entry, text, err)
			}
			if p.text != "" {
				p.text += " or "
			}
			p.queries, p.text = append(p.queries, q), p.text+text
			return nil
		}
		*dst = p
		seq, ok := v.(*ast.SequenceNode)
		if !ok {
			return one(0, v)
		}
		if len(seq.Values) == 0 {
			return s.errorf(v, "%s is an empty list, expected at least one JSONPath", entry)
		}
		return s.list(v, entry, one)
	}
}

// noting adds what the keys of a mapping can tell to a set, as they are read.
func noting(fields map[string]field, reads *task.Fields) map[string]field {
	for _, f := range task.EachField() {
		if read, ok := fields[f.Key]; ok {
			fields[f.Key] = func(k, v ast.Node) error {
				*reads |= f.Field
				return read(k, v)
			}
		}
	}
	return fields
}

func (s *source) jsonMapping(n ast.Node, reads *task.Fields) (*mapping, error) {
	m := &mapping{}
	fields := s.group(&m.group, "")
	fields["vin"] = s.path(&m.vin, "vin")
	fields["cleared"] = s.path(&m.cleared, "cleared")
	fields["ecus"] = func(_, v ast.Node) error { return s.ecuMap(v, &m.ecus, reads) }
	fields["learn"] = func(_, v ast.Node) error { return s.resultMap(v, &m.learn, "learn", "position", learnOutcomes) }
	fields["output"] = func(_, v ast.Node) error { return s.resultMap(v, &m.output, "output", "name", outputOutcomes()) }
	fields["extra"] = func(_, v ast.Node) error {
		return s.entries(v, "extra", func(key string, k, v ast.Node) error {
			x := extraMap{name: key}
			err := s.path(&x.path, "extra."+key)(k, v)
			m.extra = append(m.extra, x)
			return err
		})
	}
	fields["several"] = func(_, v ast.Node) (err error) { m.several, err = s.truth(v, "several"); return err }
	fields["unknown"] = func(_, v ast.Node) (err error) { m.unknown, err = s.jsonValues(v, "unknown"); return err }
	return m, s.mapping(n, "json", noting(fields, reads))
}

// jsonValues reads a list of plain values, and gives each as JSON has it.
func (s *source) jsonValues(n ast.Node, what string) ([]string, error) {
	var list []string
	err := s.list(n, what, func(_ int, item ast.Node) error {
		var value any
		switch v := item.(type) {
		case *ast.NullNode:
		case *ast.BoolNode:
			value = v.Value
		case *ast.IntegerNode, *ast.FloatNode:
			x, err := s.number(item, what)
			if err != nil {
				return err
			}
			value = x
		default:
			text, err := s.scalar(item, what)
			if err != nil {
				return err
			}
			value = text
		}
		list = append(list, jsonText(value))
		return nil
	})
	return list, err
}

// group are the keys that a document and a control unit share.
func (s *source) group(g *group, prefix string) map[string]field {
	code := func(dst **codeMap, name string) field {
		return func(k, v ast.Node) error { return s.codeMap(k, v, dst, prefix+name) }
	}
	return map[string]field{
		"mil":   s.path(&g.mil, prefix+"mil"),
		"count": s.path(&g.count, prefix+"count"),
		"calibrations": func(k, v ast.Node) error {
			g.calibrations = &each{}
			return s.path(&g.calibrations.list, prefix+"calibrations")(k, v)
		},
		"stored":    code(&g.stored, "stored"),
		"pending":   code(&g.pending, "pending"),
		"permanent": code(&g.permanent, "permanent"),
		"live":      func(_, v ast.Node) error { return s.liveMaps(v, &g.live, prefix+"live") },
		"readiness": func(_, v ast.Node) error { return s.monitorMap(v, &g.readiness, prefix+"readiness") },
		"freeze":    func(_, v ast.Node) error { return s.freezeMap(v, &g.freeze, prefix+"freeze") },
	}
}

func (s *source) ecuMap(n ast.Node, dst **ecuMap, reads *task.Fields) error {
	m := &ecuMap{}
	*dst = m
	fields := s.group(&m.group, "ecus.")
	m.keys(s, "ecus", fields)
	fields["name"] = s.path(&m.name, "ecus.name")
	fields["address"] = s.path(&m.address, "ecus.address")
	fields["vin"] = s.path(&m.vin, "ecus.vin")
	if err := s.mapping(n, "ecus", noting(fields, reads)); err != nil {
		return err
	}
	if err := m.fill(s, n, "ecus", &m.name, nil); err != nil {
		return err
	}
	return s.missing(n, m.name, "ecus", "name")
}

// codeMap is a path to a list of texts, or a mapping where the items are objects.
func (s *source) codeMap(k, n ast.Node, dst **codeMap, entry string) error {
	m := &codeMap{}
	*dst = m
	if _, err := s.scalar(n, entry); err == nil {
		return s.path(&m.list, entry)(k, n)
	}
	if _, ok := n.(*ast.SequenceNode); ok {
		return s.path(&m.list, entry)(k, n)
	}
	fields := map[string]field{
		"code":         s.path(&m.code, entry+".code"),
		"failure-type": s.path(&m.failureType, entry+".failure-type"),
		"ecu":          s.path(&m.ecu, entry+".ecu"),
	}
	m.keys(s, entry, fields)
	if err := s.mapping(n, entry, fields); err != nil {
		return err
	}
	return m.fill(s, n, entry, &m.code, nil)
}

func (s *source) liveMaps(n ast.Node, dst *[]liveMap, entry string) error {
	return s.list(n, entry, func(_ int, item ast.Node) error {
		m := liveMap{signal: signalMap{factor: 1}}
		fields := s.signal(&m.signal)
		m.keys(s, entry, fields)
		fields["name"] = s.path(&m.name, entry+".name")
		fields["value"] = s.path(&m.value, entry+".value")
		fields["units"] = s.path(&m.unit, entry+".units")
		fields["ecu"] = s.path(&m.ecu, entry+".ecu")
		fields["names"] = func(_, v ast.Node) error { return s.signalNames(v, &m.names) }
		if err := s.mapping(item, entry, fields); err != nil {
			return err
		}
		if m.list != nil {
			if err := m.fill(s, item, entry, &m.name, &m.value); err != nil {
				return err
			}
		}
		if err := s.missing(item, m.value, entry, "value"); err != nil {
			return err
		}
		single := m.signal.signal != ""
		switch {
		case single && (m.list != nil || m.name != nil || m.names != nil || m.unit != nil):
			return s.errorf(item, "%s has a signal and a list, expected signal and value, or each, name and value", entry)
		case !single && (m.list == nil || m.name == nil):
			return s.errorf(item, "%s has neither, expected signal and value, or each, name and value", entry)
		case !single && m.signal != signalMap{factor: 1}:
			return s.errorf(item, "%s has a conversion for a whole list, expected it under names", entry)
		}
		*dst = append(*dst, m)
		return nil
	})
}

var signalPattern = regexp.MustCompile(`^[a-z0-9_]+$`)

// signal are the keys of a conversion.
func (s *source) signal(m *signalMap) map[string]field {
	return map[string]field{
		"signal": func(_, v ast.Node) (err error) {
			if m.signal, err = s.scalar(v, "signal"); err == nil && !signalPattern.MatchString(m.signal) {
				err = s.errorf(v, "signal is %q, expected lower-case words joined by _", m.signal)
			}
			return err
		},
		"unit":   func(_, v ast.Node) (err error) { m.unit, err = s.text(v, "unit"); return err },
		"hex":    func(_, v ast.Node) (err error) { m.hex, err = s.truth(v, "hex"); return err },
		"factor": func(_, v ast.Node) (err error) { m.factor, err = s.number(v, "factor"); return err },
		"offset": func(_, v ast.Node) (err error) { m.offset, err = s.number(v, "offset"); return err },
	}
}

func (s *source) signalNames(n ast.Node, dst *map[string]signalMap) error {
	*dst = map[string]signalMap{}
	return s.entries(n, "names", func(key string, _, v ast.Node) error {
		m := signalMap{factor: 1}
		if text, err := s.scalar(v, "name"); err == nil {
			if !signalPattern.MatchString(text) {
				return s.errorf(v, "signal is %q, expected lower-case words joined by _", text)
			}
			m.signal = text
		} else if err := s.mapping(v, "name", s.signal(&m), "signal"); err != nil {
			return err
		}
		(*dst)[key] = m
		return nil
	})
}

func (s *source) monitorMap(n ast.Node, dst **monitorMap, entry string) error {
	m := &monitorMap{}
	*dst = m
	fields := map[string]field{
		"name":  s.path(&m.name, entry+".name"),
		"ready": s.path(&m.ready, entry+".ready"),
		"ecu":   s.path(&m.ecu, entry+".ecu"),
		"names": func(_, v ast.Node) error { return s.words(v, "names", nil, &m.names) },
	}
	m.keys(s, entry, fields)
	if err := s.mapping(n, entry, fields); err != nil {
		return err
	}
	if err := m.fill(s, n, entry, &m.name, &m.ready); err != nil {
		return err
	}
	if err := s.missing(n, m.name, entry, "name"); err != nil {
		return err
	}
	return s.missing(n, m.ready, entry, "ready")
}

func (s *source) freezeMap(n ast.Node, dst **freezeMap, entry string) error {
	m := &freezeMap{}
	*dst = m
	fields := map[string]field{
		"code":   s.path(&m.code, entry+".code"),
		"ecu":    s.path(&m.ecu, entry+".ecu"),
		"values": func(_, v ast.Node) error { return s.liveMaps(v, &m.values, entry+".values") },
	}
	m.keys(s, entry, fields)
	if err := s.mapping(n, entry, fields); err != nil {
		return err
	}
	if err := m.fill(s, n, entry, &m.code, nil); err != nil {
		return err
	}
	return s.missing(n, m.code, entry, "code")
}

// resultMap reads how something ended; name is the key of what it was done to, words
// are those of its end.
func (s *source) resultMap(n ast.Node, dst **resultMap, entry, name string, words []string) error {
	m := &resultMap{}
	*dst = m
	return s.mapping(n, entry, map[string]field{
		name:       s.path(&m.name, entry+"."+name),
		"outcome":  s.path(&m.outcome, entry+".outcome"),
		"reason":   s.path(&m.reason, entry+".reason"),
		"outcomes": func(_, v ast.Node) error { return s.words(v, "outcomes", words, &m.outcomes) },
	}, "outcome")
}

// words is a table from the tool's words to ours.
func (s *source) words(n ast.Node, what string, set []string, dst *map[string]string) error {
	*dst = map[string]string{}
	return s.entries(n, what, func(key string, _, v ast.Node) (err error) {
		if set != nil {
			(*dst)[key], err = s.oneOf(v, what+" "+key, set)
		} else {
			(*dst)[key], err = s.text(v, what+" "+key)
		}
		return err
	})
}
