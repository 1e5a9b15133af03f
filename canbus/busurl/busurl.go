// Package busurl names buses in one word, as flags, scenario files and the
// environment variable SAWHORSE_BUS carry them, and opens them:
//
//	mem:         inside the bench's own process
//	unix:PATH    a user-space bus at a socket (canbus/hub)
//	can:IFACE    a Linux interface (canbus/socketcan)
//
// Each scheme is one file here, which registers it; nothing else names them all.
package busurl

import (
	"errors"
	"fmt"
	"strings"

	"sawhorse/canbus"
)

// Error says which URL is wrong and what was expected of it.
type Error struct {
	URL string
	Err error
}

// Error says what is wrong with which URL.
func (e *Error) Error() string { return fmt.Sprintf("bus %q: %v", e.URL, e.Err) }

// Unwrap is the cause.
func (e *Error) Unwrap() error { return e.Err }

// URL is a bus's name, taken apart.
type URL struct {
	// Scheme is the word before the colon, Target what stands behind it: a socket's
	// path, an interface's name, "" for mem:.
	Scheme, Target string
}

// String writes the URL as it was read.
func (u URL) String() string { return u.Scheme + ":" + u.Target }

// Shared reports whether other processes can reach the bus.
func (u URL) Shared() bool {
	s := find(u.Scheme)
	return s != nil && s.dial != nil
}

// Physical is the name of the interface behind which there may be copper: one that
// must be armed before anything is sent on it. It is "" for every other bus.
func (u URL) Physical() string {
	if s := find(u.Scheme); s != nil && s.physical {
		return u.Target
	}
	return ""
}

// Parse takes a URL apart. Errors are *Error. It looks at the words only; whether
// there is such a bus, opening it finds out.
func Parse(url string) (URL, error) {
	u, _, err := lookUp(url)
	return u, err
}

// lookUp takes a URL apart and finds its scheme.
func lookUp(url string) (u URL, s *scheme, err error) {
	var found bool
	u.Scheme, u.Target, found = strings.Cut(url, ":")
	s = find(u.Scheme)
	switch {
	case url == "":
		err = fmt.Errorf("empty, want %s", forms(all))
	case !found:
		err = fmt.Errorf("no scheme, want %s", forms(all))
	case s == nil:
		err = fmt.Errorf("unknown scheme %q, want %s", u.Scheme, forms(all))
	default:
		err = s.check(u.Target)
	}
	if err != nil {
		return URL{}, nil, &Error{URL: url, Err: err}
	}
	return u, s, nil
}

// CheckShared reports why other processes could not reach a bus of that name; nil if
// they could. Errors are *Error.
func CheckShared(url string) error {
	u, err := Parse(url)
	if err == nil && !u.Shared() {
		err = &Error{URL: url, Err: errInside()}
	}
	return err
}

// SharedForms lists how buses are written that other processes can reach.
func SharedForms() string { return forms(shared) }

func errInside() error {
	return errors.New("such a bus lives inside one process; another reaches the bench through " + forms(shared))
}

// Dial connects to the bus as one node among others. An interface that is not
// virtual is only listened to. onState, if not nil, is told from Read when an
// interface goes down, comes up or vanishes.
func Dial(url string, onState func(message string)) (canbus.Conn, error) {
	u, s, err := lookUp(url)
	if err != nil {
		return nil, err
	}
	if s.dial == nil {
		return nil, &Error{URL: url, Err: errInside()}
	}
	return s.dial(u.Target, onState)
}
