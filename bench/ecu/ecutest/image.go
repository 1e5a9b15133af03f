package ecutest

import "hash/crc32"

// Image is a whole program for the engine unit; its checksum is that of the
// standard library.
func Image(fill byte) []byte {
	b := make([]byte, 0x4000)
	for i := range b {
		b[i] = fill ^ byte(i)
	}
	n := len(b) - 4
	sum := crc32.ChecksumIEEE(b[:n])
	b[n], b[n+1], b[n+2], b[n+3] = byte(sum>>24), byte(sum>>16), byte(sum>>8), byte(sum)
	return b
}

// WholeRegion names the application as services 34 and 31 FF00 do.
const WholeRegion = "44 00 01 00 00 00 00 40 00"
