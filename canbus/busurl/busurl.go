// Package busurl names buses in one word, as flags, scenario files and the
// environment variable SAWHORSE_BUS carry them:
//
//	mem:         inside the bench's own process
//	unix:PATH    a user-space bus at a socket (canbus/hub)
//	can:IFACE    a Linux interface (canbus/socketcan)
package busurl

import (
	"fmt"
	"strings"

	"sawhorse/canbus"
	"sawhorse/canbus/hub"
	"sawhorse/canbus/socketcan"
)

// Kind of a bus.
type Kind uint8

// The kinds of bus.
const (
	Mem Kind = iota + 1
	Unix
	CAN
)

// String is the scheme of the kind's URLs.
func (k Kind) String() string {
	switch k {
	case Mem:
		return "mem"
	case Unix:
		return "unix"
	case CAN:
		return "can"
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// Error says which URL is wrong and what was expected of it.
type Error struct {
	URL string
	Err error
}

// Error says what is wrong with which URL.
func (e *Error) Error() string { return fmt.Sprintf("bus %q: %v", e.URL, e.Err) }

// Unwrap is the cause.
func (e *Error) Unwrap() error { return e.Err }

// Parse takes a URL apart: target is the socket's path or the interface's
// name, "" for mem:. Errors are *Error. It looks at the words only; whether
// there is such a bus, Dial finds out.
func Parse(url string) (kind Kind, target string, err error) {
	scheme, target, found := strings.Cut(url, ":")
	switch {
	case url == "":
		err = fmt.Errorf("empty, want mem:, unix:PATH or can:IFACE")
	case !found:
		err = fmt.Errorf("no scheme, want mem:, unix:PATH or can:IFACE")
	case scheme == "mem":
		kind = Mem
		if target != "" {
			err = fmt.Errorf("%q behind mem:, want nothing", target)
		}
	case scheme == "unix":
		kind, err = Unix, hub.CheckPath(target)
	case scheme == "can":
		kind, err = CAN, socketcan.CheckName(target)
	default:
		err = fmt.Errorf("unknown scheme %q, want mem:, unix:PATH or can:IFACE", scheme)
	}
	if err != nil {
		return 0, "", &Error{URL: url, Err: err}
	}
	return kind, target, nil
}

// Dial connects to the bus as one node among others. An interface that is not
// virtual is only listened to. onState, if not nil, is told from Read when an
// interface goes down, comes up or vanishes.
func Dial(url string, onState func(message string)) (canbus.Conn, error) {
	kind, target, err := Parse(url)
	if err != nil {
		return nil, err
	}
	switch kind {
	case Unix:
		return hub.Dial(target)
	case CAN:
		c, err := socketcan.Dial(target, socketcan.Options{FD: true, OnState: onState})
		if err != nil {
			return nil, err // and no *Conn that is nil in an interface that is not
		}
		return c, nil
	default:
		return nil, &Error{URL: url, Err: fmt.Errorf("such a bus lives inside one process; another reaches the bench through unix:PATH or can:IFACE")}
	}
}
