package wire

// Generator polynomials without their top bit (ISO 11898-1:2015 clause 10.4.2.6),
// and the start values of the standard's CAN FD checksums. Input is the frame
// from its start bit on, most significant bit first, without reflection or a
// final inversion.
const (
	poly15, width15 = 0x4599, 15
	poly17, width17 = 0x1685B, 17
	poly21, width21 = 0x102899, 21

	start17 = 1 << (width17 - 1)
	start21 = 1 << (width21 - 1)
)

// crcBit takes one bit into a checksum of the given width.
func crcBit(r, bit, poly uint32, width uint) uint32 {
	next := bit ^ r>>(width-1)
	r = r << 1 & (1<<width - 1)
	if next != 0 {
		r ^= poly
	}
	return r
}

// crc15Table takes eight bits at once into CRC-15.
var crc15Table = func() (t [256]uint16) {
	for b := range t {
		r := uint32(0)
		for i := 7; i >= 0; i-- {
			r = crcBit(r, uint32(b)>>i&1, poly15, width15)
		}
		t[b] = uint16(r)
	}
	return t
}()

func crc15Byte(r uint16, b byte) uint16 {
	return (r<<8 ^ crc15Table[byte(r>>7)^b]) & (1<<width15 - 1)
}
