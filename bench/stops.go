package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"
)

// quick is how long what only closes a file or a socket may take.
const quick = 2 * time.Second

// stop is one thing to be undone.
type stop struct {
	name  string
	limit time.Duration
	fn    func() error
}

// stops are the things to be undone, in the order in which they were done.
type stops []*stop

// ErrNotEnded says that something did not end within its time.
var ErrNotEnded = errors.New("did not end within its time")

// OnClose has Close call fn, the one that came last first, and wait for it no longer
// than limit. The name stands in the error of what fails or does not end. forget is for
// what has ended before.
func (b *Bench) OnClose(name string, limit time.Duration, fn func() error) (forget func()) {
	s := &stop{name, limit, fn}
	b.stops = append(b.stops, s)
	return func() { b.stops = slices.DeleteFunc(b.stops, func(o *stop) bool { return o == s }) }
}

// Close undoes all that was attached, the last first, and takes the bench off its
// buses. Call it when the loop has ended; a second time it does nothing. What does not
// end within its time is named in the error (ErrNotEnded) and left behind.
func (b *Bench) Close() error {
	var errs []error
	for len(b.stops) > 0 {
		last := len(b.stops) - 1
		s := b.stops[last]
		b.stops = b.stops[:last]
		if err := s.end(); err != nil {
			errs = append(errs, fmt.Errorf("end of %s: %w", s.name, err))
		}
	}
	return errors.Join(errs...)
}

// end calls the function and waits for it within bounds.
func (s *stop) end() error {
	ended := make(chan error, 1)
	go func() {
		defer func() {
			if p := recover(); p != nil {
				ended <- fmt.Errorf("panic: %v", p)
			}
		}()
		ended <- s.fn()
	}()
	ctx, cancel := context.WithTimeout(context.Background(), s.limit)
	defer cancel()
	select {
	case err := <-ended:
		return err
	case <-ctx.Done():
		return fmt.Errorf("%w of %v", ErrNotEnded, s.limit)
	}
}
