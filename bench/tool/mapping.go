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

// path is a JSONPath query (RFC 9535) and where it stands in the profile.
type path struct {
	query *jsonpath.Path
	text  string
	entry string
	at    place
}

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
}

// group is what a document or one control unit of it may hold.
type group struct {
	mil                        *path
	stored, pending, permanent *codeMap
	live                       []liveMap
	readiness                  *monitorMap
	freeze                     *freezeMap
}

// each is a list: every node selected, and the elements of those that are
// arrays. It is absent when nothing but null is selected.
type each struct{ list *path }

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

// path returns a reader of a JSONPath into dst.
func (s *source) path(dst **path, entry string) field {
	return func(_, v ast.Node) error {
		text, err := s.text(v, entry)
		if err != nil {
			return err
		}
		q, err := jsonpath.Parse(text)
		if err != nil {
			return s.errorf(v, "%s is %q, expected a JSONPath (RFC 9535): %v", entry, text, err)
		}
		*dst = &path{q, text, entry, placeOf(v)}
		return nil
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
		"mil":       s.path(&g.mil, prefix+"mil"),
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
	fields["each"] = s.path(&m.list, "ecus.each")
	fields["name"] = s.path(&m.name, "ecus.name")
	fields["address"] = s.path(&m.address, "ecus.address")
	fields["vin"] = s.path(&m.vin, "ecus.vin")
	return s.mapping(n, "ecus", noting(fields, reads), "each", "name")
}

// codeMap is a path to a list of texts, or a mapping where the items are objects.
func (s *source) codeMap(k, n ast.Node, dst **codeMap, entry string) error {
	m := &codeMap{}
	*dst = m
	if _, err := s.scalar(n, entry); err == nil {
		return s.path(&m.list, entry)(k, n)
	}
	return s.mapping(n, entry, map[string]field{
		"each":         s.path(&m.list, entry+".each"),
		"code":         s.path(&m.code, entry+".code"),
		"failure-type": s.path(&m.failureType, entry+".failure-type"),
		"ecu":          s.path(&m.ecu, entry+".ecu"),
	}, "each")
}

func (s *source) liveMaps(n ast.Node, dst *[]liveMap, entry string) error {
	return s.list(n, entry, func(_ int, item ast.Node) error {
		m := liveMap{signal: signalMap{factor: 1}}
		fields := s.signal(&m.signal)
		fields["each"] = s.path(&m.list, entry+".each")
		fields["name"] = s.path(&m.name, entry+".name")
		fields["value"] = s.path(&m.value, entry+".value")
		fields["units"] = s.path(&m.unit, entry+".units")
		fields["ecu"] = s.path(&m.ecu, entry+".ecu")
		fields["names"] = func(_, v ast.Node) error { return s.signalNames(v, &m.names) }
		if err := s.mapping(item, entry, fields, "value"); err != nil {
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
	return s.mapping(n, entry, map[string]field{
		"each":  s.path(&m.list, entry+".each"),
		"name":  s.path(&m.name, entry+".name"),
		"ready": s.path(&m.ready, entry+".ready"),
		"ecu":   s.path(&m.ecu, entry+".ecu"),
		"names": func(_, v ast.Node) error { return s.words(v, "names", nil, &m.names) },
	}, "each", "name", "ready")
}

func (s *source) freezeMap(n ast.Node, dst **freezeMap, entry string) error {
	m := &freezeMap{}
	*dst = m
	return s.mapping(n, entry, map[string]field{
		"each":   s.path(&m.list, entry+".each"),
		"code":   s.path(&m.code, entry+".code"),
		"ecu":    s.path(&m.ecu, entry+".ecu"),
		"values": func(_, v ast.Node) error { return s.liveMaps(v, &m.values, entry+".values") },
	}, "each", "code")
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
