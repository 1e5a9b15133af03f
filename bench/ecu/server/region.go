package server

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"

	"sawhorse/bench/ecu/nv"
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"
)

// region is one bound part of the unit's memory.
type region struct {
	spec *spec.Region
	access
	image []byte
}

// Seal writes the checksum of an image into its last four bytes: CRC-32 (IEEE
// 802.3) of those before, the highest byte first. Shorter images stay as they are.
func Seal(image []byte) {
	if n := len(image) - spec.ChecksumBytes; n >= 0 {
		binary.BigEndian.PutUint32(image[n:], crc32.ChecksumIEEE(image[:n]))
	}
}

// sealed reports whether an image has its right checksum.
func sealed(image []byte) bool {
	n := len(image) - spec.ChecksumBytes
	return n >= 0 && binary.BigEndian.Uint32(image[n:]) == crc32.ChecksumIEEE(image[:n])
}

// newRegion is a region with what the maker delivers: its name, a pattern, a checksum.
func newRegion(r *spec.Region, a access) *region {
	x := &region{spec: r, access: a, image: make([]byte, r.Size)}
	for k := range x.image {
		x.image[k] = byte(k*7 + k>>8)
	}
	copy(x.image, r.Region)
	if r.Program {
		Seal(x.image)
	}
	return x
}

// bytes is what the region holds: as delivered until it is programmed.
func (r *region) bytes(m *nv.Memory) []byte {
	if b, ok := m.Bytes(r.spec.Region); ok && len(b) == len(r.image) {
		return b
	}
	return r.image
}

// own is the region's place in non-volatile memory, to write to.
func (r *region) own(m *nv.Memory) []byte {
	if b, ok := m.Bytes(r.spec.Region); ok && len(b) == len(r.image) {
		return b
	}
	b := bytes.Clone(r.image)
	m.SetBytes(r.spec.Region, b)
	return b
}

// widths are the numbers of bytes of size and address by an
// addressAndLengthFormatIdentifier: size in the high nibble. One to four each.
func widths(format byte) (sizes, addresses int, ok bool) {
	sizes, addresses = int(format>>4), int(format&0xF)
	return sizes, addresses, sizes >= 1 && sizes <= 4 && addresses >= 1 && addresses <= 4
}

// addressed takes address and size from their bytes; false for lengths that do not fit
// and a size of 0.
func addressed(format byte, b []byte) (address, size uint32, ok bool) {
	sizes, addresses, ok := widths(format)
	if !ok || len(b) != sizes+addresses {
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
func (s *Server) readable(address, size uint32) (*region, uds.NRC) {
	r := s.within(address, size)
	switch {
	case r == nil || r.in&s.session.mask == 0:
		return nil, uds.RequestOutOfRange
	case !s.locks.allow(r.security):
		return nil, uds.SecurityAccessDenied
	}
	return r, 0
}
