package capture

import (
	"errors"
	"fmt"
	"strings"
)

// Errors that an Error may wrap; io.ErrUnexpectedEOF says that the input ends
// too early, canbus.ErrFrame that a record holds no valid frame.
var (
	// ErrFormat says that the input is no capture, or one broken beyond reading on.
	ErrFormat = errors.New("not a readable capture")
	// ErrLinkType says that packets are of another network than CAN.
	ErrLinkType = errors.New("not a CAN capture")
	// ErrRewind says that the input is a stream without a way back.
	ErrRewind = errors.New("cannot go back to the start")
)

// Error says what was wrong with a capture and where.
type Error struct {
	// File is the name given to Open, Create or NewReader.
	File string
	// Offset is the byte offset of the block, record or line; in a gzip file it
	// counts in the decompressed stream, and Gzip is set. In errors of a Writer
	// it is the number of bytes handed over so far.
	Offset int64
	Gzip   bool
	// Line and Column, from 1, are set for CSV; Column counts bytes.
	Line, Column int
	// Frame is the number of the record in the file, from 1; 0 before the first.
	Frame int64
	// Skipped counts the records that had to be passed over.
	Skipped int64
	// Want says what was expected there.
	Want string
	// Err is what was found, or the cause.
	Err error
}

// Error names file, place, finding and expectation in one line.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", e.Line, max(e.Column, 1))
	}
	fmt.Fprintf(&b, ": byte %d", e.Offset)
	if e.Gzip {
		b.WriteString(" of the decompressed stream")
	}
	if e.Frame > 0 {
		fmt.Fprintf(&b, ", frame %d", e.Frame)
	}
	if e.Err != nil {
		fmt.Fprintf(&b, ": %v", e.Err)
	}
	if e.Want != "" {
		fmt.Fprintf(&b, "; want %s", e.Want)
	}
	if e.Skipped > 0 {
		fmt.Fprintf(&b, " (%d of the records could not be read)", e.Skipped)
	}
	return b.String()
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }
