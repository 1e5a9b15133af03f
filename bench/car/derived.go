package car

import "sync"

// derived keeps what other packages have made of a spec's files.
type derived struct {
	mu sync.Mutex
	by map[string]any
}

// Derived returns what build makes of the spec, building it once for all the cars
// that share the spec: reading a data file takes longer than driving for a minute.
// The key is the caller's own; what is built must not be changed afterwards.
func Derived[T any](s *Spec, key string, build func() (T, error)) (T, error) {
	s.derived.mu.Lock()
	defer s.derived.mu.Unlock()
	if v, ok := s.derived.by[key]; ok {
		return v.(T), nil
	}
	v, err := build()
	if err == nil {
		if s.derived.by == nil {
			s.derived.by = map[string]any{}
		}
		s.derived.by[key] = v
	}
	return v, err
}
