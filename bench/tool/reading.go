package tool

// Reading is one thing that a profile has taken from an output, or has looked for and
// not found.
type Reading struct {
	// Entry is what of the profile took it, as ecus.stored.code, Line where it stands, 0
	// for a line of the output that nothing took.
	Entry string
	Line  int
	// Where is the place in the output: a normalized path (RFC 9535) or a line. It is ""
	// where nothing was found.
	Where string
	// Piece is what stands there, shortened.
	Piece string
}

// notRead is the entry of lines that no rule took.
const notRead = "read by no rule"

// Found reports that there was something.
func (r *Reading) Found() bool { return r.Where != "" }

// Readings tell what Extract reads from where, in the order in which it looks.
func (p *Profile) Readings(e *Entry, stdout []byte) ([]Reading, error) {
	x := &extractor{file: p.source.file, readings: []Reading{}}
	err := x.extract(e, stdout)
	return x.readings, err
}

// note keeps a reading if anybody wants them.
func (x *extractor) note(r Reading) {
	if x.readings != nil {
		x.readings = append(x.readings, r)
	}
}

// notePath keeps what a path has found.
func (x *extractor) notePath(p *path, found []node) {
	if x.readings == nil || p == nil || p.key {
		return
	}
	if len(found) == 0 {
		x.note(Reading{Entry: p.entry, Line: p.at.line})
	}
	for _, n := range found {
		x.note(Reading{Entry: p.entry, Line: p.at.line, Where: "$" + n.where, Piece: jsonText(n.value)})
	}
}
