package server

import "slices"

// Names in non-volatile memory: set while there is no whole program, and how much of a
// region has been written since it was erased.
const (
	invalidName = "program_invalid"
	erasedName  = "_erased"
)

// transfer is the state of services 34, 36 and 37.
type transfer struct {
	region *region
	// at is the next byte, end the byte after the last.
	at, end uint32
	// next is the block sequence counter expected, last that of the block before;
	// began is false until the first.
	next, last byte
	began      bool
}

// write takes one block of a transfer.
func (s *Server) write(t *transfer, counter byte, data []byte) {
	copy(t.region.own(s.nv)[t.at:], data)
	t.at += uint32(len(data))
	t.began, t.last, t.next = true, counter, counter+1
}

// beginErase makes the program invalid before its first byte goes: power lost from
// here on leaves the boot program.
func (s *Server) beginErase(r *region) {
	s.erasing, s.transfer = r, nil
	s.nv.Set(invalidName, 1)
	s.nv.Erase(r.spec.Region + erasedName)
	image := r.own(s.nv)
	for i := range image[:len(image)/2] { // as if half of it had been reached
		image[i] = 0xFF
	}
	s.setBoot(true)
}

func (s *Server) endErase() {
	image := s.erasing.own(s.nv)
	for i := range image {
		image[i] = 0xFF
	}
	s.nv.Set(s.erasing.spec.Region+erasedName, 1)
	s.erasing = nil
}

// verify checks every programmable region; a whole program is valid from the next
// start on.
func (s *Server) verify() bool {
	for _, r := range s.regions {
		if r.spec.Program && !sealed(r.bytes(s.nv)) {
			return false
		}
	}
	s.nv.Erase(invalidName)
	for _, r := range s.regions {
		s.nv.Erase(r.spec.Region + erasedName)
	}
	return true
}

// blankWithin reports whether a range of a region is erased and not yet written.
func (s *Server) blankWithin(r *region, from, size uint32) bool {
	_, erased := s.nv.Get(r.spec.Region + erasedName)
	return erased && !slices.ContainsFunc(r.bytes(s.nv)[from:from+size], func(c byte) bool { return c != 0xFF })
}

// Boot reports whether only the unit's boot program runs, as there is no whole
// program to run.
func (s *Server) Boot() bool { return s.boot }

// setBoot changes between the unit's program and its boot program.
func (s *Server) setBoot(on bool) {
	s.mem.SetRecording(!on)
	if s.boot == on {
		return
	}
	s.boot = on
	s.application.Boot(on)
}
