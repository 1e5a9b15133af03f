package ecu

import (
	"bytes"
	"slices"
)

// Names in NV: set while there is no whole program, and how much of a region has
// been written since it was erased.
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

// requestDownload is service 34: not compressed, not encrypted, into a region that
// is erased.
func (s *Server) requestDownload(req []byte) byte {
	if len(req) < 5 {
		return wrongLength
	}
	sizes, addresses := int(req[2]>>4), int(req[2]&0xF)
	switch {
	case sizes < 1 || sizes > 4 || addresses < 1 || addresses > 4:
		return requestOutOfRange
	case len(req) != 3+sizes+addresses:
		return wrongLength
	}
	address, size, ok := addressed(req[2], req[3:])
	r := s.within(address, size)
	if !ok || req[1] != 0 || r == nil || !r.spec.Program {
		return requestOutOfRange
	}
	if s.transfer != nil {
		return conditionsNotCorrect
	}
	if nrc := s.needs(s.programBy); nrc != 0 {
		return nrc
	}
	from := address - r.spec.Address
	if _, erased := s.nv.Get(r.spec.Region + erasedName); !erased || !blank(r.bytes(s.nv)[from:from+size]) {
		return downloadNotAccepted
	}
	if !s.dry {
		s.transfer = &transfer{region: r, at: from, end: from + size, next: 1}
	}
	s.out = append16(append(s.out, 0x20), uint16(s.spec.Program.MaxBlock))
	return 0
}

func blank(b []byte) bool { return !slices.ContainsFunc(b, func(c byte) bool { return c != 0xFF }) }

// transferData is service 36. The block sequence counter begins with 01, goes from
// FF to 00, and may repeat the block before, whose answer was lost: that is
// answered again and not written twice.
func (s *Server) transferData(req []byte) byte {
	t := s.transfer
	switch {
	case len(req) < 2 || len(req) > s.spec.Program.MaxBlock:
		return wrongLength
	case t == nil:
		return requestSequenceError
	}
	counter, data := req[1], req[2:]
	s.out = append(s.out, counter)
	switch {
	case t.began && counter == t.last:
		return 0
	case counter != t.next:
		return wrongBlockCounter
	case len(data) == 0:
		return wrongLength
	case t.at == t.end:
		return requestSequenceError
	case uint32(len(data)) > t.end-t.at:
		return transferSuspended
	}
	if nrc := s.needs(s.programBy); nrc != 0 {
		return nrc
	}
	if s.dry {
		return 0
	}
	image := s.ownBytes(t.region)
	copy(image[t.at:], data)
	if !bytes.Equal(image[t.at:t.at+uint32(len(data))], data) {
		return programmingFailure
	}
	t.at += uint32(len(data))
	t.began, t.last, t.next = true, counter, counter+1
	return 0
}

// transferExit is service 37: only once all bytes have come.
func (s *Server) transferExit(req []byte) byte {
	t := s.transfer
	switch {
	case len(req) != 1:
		return wrongLength
	case t == nil || t.at != t.end:
		return requestSequenceError
	}
	if !s.dry {
		s.transfer = nil
	}
	return 0
}

// ownBytes is the region's place in NV, to write to.
func (s *Server) ownBytes(r *region) []byte {
	if b, ok := s.nv.Bytes(r.spec.Region); ok && len(b) == len(r.image) {
		return b
	}
	b := bytes.Clone(r.image)
	s.nv.SetBytes(r.spec.Region, b)
	return b
}

// eraseTarget is the region that an erase request names, as service 34 does.
func (s *Server) eraseTarget(option []byte) (*region, byte) {
	if len(option) < 3 {
		return nil, wrongLength
	}
	sizes, addresses := int(option[0]>>4), int(option[0]&0xF)
	if len(option) != 1+sizes+addresses {
		return nil, wrongLength
	}
	address, size, ok := addressed(option[0], option[1:])
	r := s.within(address, size)
	if !ok || r == nil || !r.spec.Program || r.spec.Size != size {
		return nil, requestOutOfRange
	}
	return r, 0
}

// beginErase makes the program invalid before its first byte goes: power lost from
// here on leaves the boot program.
func (s *Server) beginErase(r *region) {
	s.erasing, s.transfer = r, nil
	s.nv.Set(invalidName, 1)
	s.nv.Erase(r.spec.Region + erasedName)
	image := s.ownBytes(r)
	for i := range image[:len(image)/2] { // as if half of it had been reached
		image[i] = 0xFF
	}
	s.setBoot(true)
}

func (s *Server) endErase() {
	image := s.ownBytes(s.erasing)
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
	s.plant.Boot(on)
}

// bootHas reports whether the boot program has a service.
func (s *Server) bootHas(sid byte) bool { return slices.Contains(s.spec.Program.Services, sid) }
