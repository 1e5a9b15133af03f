package strict

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"io/fs"
	"path"
	"slices"
)

// Files are data files of the program itself, together with what parsing them gives, which
// is made beforehand by [Pack]: YAML takes fifty times as long. A file that was changed
// since is parsed as a file of one's own is, so that they never disagree.
type Files struct {
	fs.FS
	// packed are the trees by file.
	packed map[string]packed
	// at is the folder that the names are below.
	at string
}

// packed is one file: the first bytes of its digest and its tree.
type packed struct{ digest, tree string }

const digestBytes = 8

// version is the first byte of what Pack makes.
const version = 1

// Packed joins files with their trees. What does not come from Pack is left alone: all
// files are parsed then.
func Packed(fsys fs.FS, trees string) Files {
	f := Files{FS: fsys, packed: map[string]packed{}}
	r := unpacker{rest: trees}
	if v := r.take(1); v != string(rune(version)) {
		return f
	}
	for r.rest != "" && !r.bad {
		name := r.take(int(r.uvarint()))
		p := packed{digest: r.take(digestBytes)}
		p.tree = r.take(int(r.uvarint()))
		if !r.bad {
			f.packed[name] = p
		}
	}
	return f
}

// ReadFile implements fs.ReadFileFS.
func (f Files) ReadFile(name string) ([]byte, error) { return fs.ReadFile(f.FS, name) }

// Sub implements fs.SubFS.
func (f Files) Sub(dir string) (fs.FS, error) {
	sub, err := fs.Sub(f.FS, dir)
	return Files{sub, f.packed, path.Join(f.at, dir)}, err
}

// find gives the tree of a file with this content, if it was made beforehand.
func (f Files) find(name string, data []byte) (tree, bool) {
	p, ok := f.packed[path.Join(f.at, name)]
	if !ok || p.digest != digest(data) {
		return nil, false
	}
	return unpack(p.tree)
}

func digest(data []byte) string {
	sum := sha256.Sum256(data)
	return string(sum[:digestBytes])
}

// Pack parses files and writes down what came of it, for Packed. Equal files give equal
// bytes.
func Pack(fsys fs.FS, names []string) ([]byte, error) {
	out := []byte{version}
	for _, name := range slices.Sorted(slices.Values(names)) {
		data, err := fs.ReadFile(fsys, name)
		if err != nil {
			return nil, err
		}
		t, err := parse(name, data)
		if err != nil {
			return nil, err
		}
		out = appendText(out, name)
		out = append(out, digest(data)...)
		out = appendText(out, string(t.pack()))
	}
	return out, nil
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

// pack writes a tree: its texts, each once; how many nodes; then each node with kind, place,
// the number of its text, and its value or its size. The line is told by its distance from
// the node before.
func (t tree) pack() []byte {
	var texts []string
	number := map[string]int{}
	for i := range t {
		if _, ok := number[t[i].text]; !ok {
			number[t[i].text] = len(texts)
			texts = append(texts, t[i].text)
		}
	}
	b := binary.AppendUvarint(nil, uint64(len(texts)))
	for _, s := range texts {
		b = appendText(b, s)
	}
	b = binary.AppendUvarint(b, uint64(len(t)))
	line := int32(0)
	for i := range t {
		n := &t[i]
		b = append(b, byte(n.kind))
		b = binary.AppendVarint(b, int64(n.line-line))
		b = binary.AppendUvarint(b, uint64(n.column))
		line = n.line
		if n.kind >= list {
			b = binary.AppendUvarint(b, uint64(n.size))
			continue
		}
		b = binary.AppendUvarint(b, uint64(number[n.text]))
		if n.kind != null && n.kind < plain {
			b = binary.AppendUvarint(b, n.bits)
		}
	}
	return b
}

func unpack(s string) (tree, bool) {
	r := unpacker{rest: s}
	n := r.uvarint()
	if n > mostNodes {
		return nil, false
	}
	texts := make([]string, n)
	for i := range texts {
		texts[i] = r.take(int(r.uvarint()))
	}
	if n = r.uvarint(); n == 0 || n > mostNodes {
		return nil, false
	}
	t := make(tree, n)
	line := int32(0)
	for i := range t {
		x := &t[i]
		if k := r.take(1); k != "" {
			x.kind = kind(k[0])
		}
		line += int32(r.varint())
		x.line, x.column, x.size = line, int32(r.uvarint()), 1
		if x.kind >= list {
			x.size = int32(r.uvarint())
			if x.size < 1 || int(x.size) > len(t)-i {
				return nil, false
			}
			continue
		}
		text := r.uvarint()
		if text >= uint64(len(texts)) {
			return nil, false
		}
		x.text = texts[text]
		if x.kind != null && x.kind < plain {
			x.bits = r.uvarint()
		}
	}
	return t, !r.bad && r.rest == ""
}

// unpacker reads from a text; bad says that it ended too early.
type unpacker struct {
	rest string
	bad  bool
}

func (r *unpacker) take(n int) string {
	if n < 0 || n > len(r.rest) {
		r.bad, r.rest = true, ""
		return ""
	}
	s := r.rest[:n]
	r.rest = r.rest[n:]
	return s
}

func (r *unpacker) uvarint() uint64 {
	var v uint64
	for i := 0; i < len(r.rest) && i < binary.MaxVarintLen64; i++ {
		c := r.rest[i]
		v |= uint64(c&0x7F) << (7 * i)
		if c < 0x80 {
			r.rest = r.rest[i+1:]
			return v
		}
	}
	r.bad, r.rest = true, ""
	return 0
}

func (r *unpacker) varint() int64 {
	u := r.uvarint()
	return int64(u>>1) ^ -int64(u&1)
}

// Source is the text of a data file, with its tree if that was made beforehand.
type Source struct {
	shown string
	data  []byte
	tree  tree
}

// Text is a source with a name for errors.
func Text(shown string, data []byte) Source { return Source{shown: shown, data: data} }

// Open reads a file of a folder; shown is its name in errors.
func Open(fsys fs.FS, name, shown string) (Source, error) {
	s := Source{shown: shown}
	var err error
	if s.data, err = fs.ReadFile(fsys, name); err != nil {
		return s, fmt.Errorf("%s: %w", shown, err)
	}
	if f, ok := fsys.(Files); ok {
		s.tree, _ = f.find(name, s.data)
	}
	return s, nil
}

// Word is what the file's mapping has under a key, without a look at the rest of it; ""
// for a key or a file that cannot be read, which Decode tells.
func (s Source) Word(key string) string {
	t := s.tree
	if t == nil {
		var err error
		if t, err = parse(s.shown, s.data); err != nil {
			return ""
		}
	}
	if at := t.value(0, key); at >= 0 {
		return t[at].text
	}
	return ""
}

// Decode puts the file into v, a pointer to a struct, after checks of how its values are
// written. The error is an *Error.
func (s Source) Decode(v any, checks ...func(*Doc) error) (*Doc, error) {
	if s.tree == nil {
		t, err := parse(s.shown, s.data)
		if err != nil {
			return nil, err
		}
		s.tree = t
	}
	for _, check := range checks {
		if err := check(&Doc{File: s.shown, tree: s.tree}); err != nil {
			return nil, err
		}
	}
	return decode(s.shown, s.tree, v)
}
