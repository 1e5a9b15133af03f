package ecu

import (
	"encoding/binary"
	"hash/crc32"
)

// region is one bound part of the unit's memory.
type region struct {
	spec     *regionSpec
	in       uint32
	security byte
	image    []byte
}

// checksumBytes end a programmable region.
const checksumBytes = 4

// Seal writes the checksum of an image into its last four bytes: CRC-32 (IEEE
// 802.3) of those before, the highest byte first. Shorter images stay as they are.
func Seal(image []byte) {
	if n := len(image) - checksumBytes; n >= 0 {
		binary.BigEndian.PutUint32(image[n:], crc32.ChecksumIEEE(image[:n]))
	}
}

// sealed reports whether an image has its right checksum.
func sealed(image []byte) bool {
	n := len(image) - checksumBytes
	return n >= 0 && binary.BigEndian.Uint32(image[n:]) == crc32.ChecksumIEEE(image[:n])
}

func (s *Server) bindRegions() {
	for i := range s.spec.Regions {
		r := &s.spec.Regions[i]
		x := &region{spec: r}
		if r.Read != nil {
			x.in, x.security = s.spec.mask(r.Read.In), r.Read.Security
		}
		// What the maker delivers: its name, a pattern, a checksum.
		x.image = make([]byte, r.Size)
		for k := range x.image {
			x.image[k] = byte(k*7 + k>>8)
		}
		copy(x.image, r.Region)
		if r.Program {
			Seal(x.image)
		}
		s.regions = append(s.regions, x)
	}
}

// bytes is what the region holds: as delivered until it is programmed.
func (r *region) bytes(nv *NV) []byte {
	if b, ok := nv.Bytes(r.spec.Region); ok && len(b) == len(r.image) {
		return b
	}
	return r.image
}

// addressed takes address and size from their bytes, in the lengths of the
// addressAndLengthFormatIdentifier: size in the high nibble. One to four each.
func addressed(format byte, b []byte) (address, size uint32, ok bool) {
	sizes, addresses := int(format>>4), int(format&0xF)
	if sizes < 1 || sizes > 4 || addresses < 1 || addresses > 4 || len(b) != sizes+addresses {
		return 0, 0, false
	}
	for _, c := range b[:addresses] {
		address = address<<8 | uint32(c)
	}
	for _, c := range b[addresses:] {
		size = size<<8 | uint32(c)
	}
	return address, size, size > 0
}

// within finds the region that holds all of a range.
func (s *Server) within(address, size uint32) *region {
	for _, r := range s.regions {
		if a := r.spec.Address; address >= a && uint64(address)+uint64(size) <= uint64(a)+uint64(r.spec.Size) {
			return r
		}
	}
	return nil
}

// readable is the region of a range that may be read now, or why not.
func (s *Server) readable(address, size uint32) (*region, byte) {
	r := s.within(address, size)
	switch {
	case r == nil || r.in&s.session.mask == 0:
		return nil, requestOutOfRange
	case !s.access.allows(r.security):
		return nil, securityAccessDenied
	}
	return r, 0
}

// readMemory is service 23.
func (s *Server) readMemory(req []byte) byte {
	if len(req) < 4 {
		return wrongLength
	}
	sizes, addresses := int(req[1]>>4), int(req[1]&0xF)
	switch {
	case sizes < 1 || sizes > 4 || addresses < 1 || addresses > 4:
		return requestOutOfRange
	case len(req) != 2+sizes+addresses:
		return wrongLength
	}
	address, size, ok := addressed(req[1], req[2:])
	if !ok {
		return requestOutOfRange
	}
	r, nrc := s.readable(address, size)
	switch {
	case nrc != 0:
		return nrc
	case size > maxMessage-1:
		return responseTooLong
	}
	if nrc := s.needs(nil); nrc != 0 {
		return nrc
	}
	from := address - r.spec.Address
	s.out = append(s.out, r.bytes(s.nv)[from:from+size]...)
	return 0
}
