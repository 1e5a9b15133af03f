package tool

import (
	"bytes"
	"io"
	"os"
)

// reader reads one stream of a process line by line, within bounds.
type reader struct {
	file      *os.File
	report    func(Line)
	stderr    bool
	keep      bool
	kept      []byte
	total     int
	lines     int
	line      []byte
	cut       bool
	truncated bool
}

func (r *reader) run() { r.read(r.file) }

func (r *reader) read(from io.Reader) {
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		r.take(buf[:n])
		if err != nil {
			if len(r.line) > 0 || r.cut {
				r.endLine()
			}
			return
		}
	}
}

// take splits a piece of output into lines; beyond the bounds it only counts.
func (r *reader) take(b []byte) {
	if over := r.total + len(b) - MaxOutput; over > 0 {
		b = b[:max(0, len(b)-over)]
		r.truncated = true
	}
	r.total += len(b)
	if r.keep {
		r.kept = append(r.kept, b...)
	}
	for len(b) > 0 {
		i := bytes.IndexByte(b, '\n')
		part := b
		if i >= 0 {
			part = b[:i]
		}
		if room := MaxLine - len(r.line); len(part) > room {
			part, r.cut = part[:room], true
		}
		r.line = append(r.line, part...)
		if i < 0 {
			return
		}
		r.endLine()
		b = b[i+1:]
	}
}

func (r *reader) endLine() {
	text := string(bytes.TrimSuffix(r.line, []byte("\r")))
	cut := r.cut
	r.line, r.cut = r.line[:0], false
	if r.lines++; r.lines > maxLines {
		r.truncated = true
		return
	}
	r.report(Line{Stderr: r.stderr, Text: text, Cut: cut})
}
