package capture

import (
	"encoding/binary"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"sawhorse/canbus"
)

// application is what the section header names as the writer.
const application = "sawhorse"

// maxComment is the longest value of a pcapng option.
const maxComment = 65535

// ngEncoder writes one little-endian section with an interface block for each
// bus and an enhanced packet block for each frame.
type ngEncoder struct {
	names []string
	buses int // interface blocks written
}

var le = binary.LittleEndian

func (e *ngEncoder) begin(b []byte) []byte {
	start := len(b)
	b = le.AppendUint32(b, ngSection)
	b = le.AppendUint32(b, 0)
	b = le.AppendUint32(b, ngByteOrder)
	b = append(b, 1, 0, 0, 0)                  // version 1.0
	b = le.AppendUint64(b, 0xFFFFFFFFFFFFFFFF) // length not known
	b = appendOption(b, optUserAppl, application)
	b = le.AppendUint32(b, optEnd)
	b = closeBlock(b, start)
	for e.buses < max(len(e.names), 1) {
		b = e.iface(b)
	}
	return b
}

// iface appends the block of the next bus.
func (e *ngEncoder) iface(b []byte) []byte {
	name := "can" + strconv.Itoa(e.buses)
	if e.buses < len(e.names) {
		name = e.names[e.buses]
	}
	start := len(b)
	b = le.AppendUint32(b, ngInterface)
	b = le.AppendUint32(b, 0)
	b = append(b, linkTypeCAN, 0, 0, 0)
	b = le.AppendUint32(b, 0) // no snap length
	if name != "" {
		b = appendOption(b, optIfName, name)
	}
	b = appendOption(b, optTsResol, "\x09")
	b = le.AppendUint32(b, optEnd)
	e.buses++
	return closeBlock(b, start)
}

func (e *ngEncoder) frame(b []byte, f *canbus.Frame, at time.Duration, comment string) []byte {
	for e.buses <= int(f.Bus) {
		b = e.iface(b)
	}
	n := uint32(canbus.RecordSize)
	if f.Flags&canbus.FD != 0 {
		n = canbus.RecordSizeFD
	}
	var h [ngPacketBody]byte
	le.PutUint32(h[0:], ngEnhanced)
	le.PutUint32(h[4:], ngPacketBody+n+4)
	le.PutUint32(h[8:], uint32(f.Bus))
	le.PutUint32(h[12:], uint32(uint64(at)>>32))
	le.PutUint32(h[16:], uint32(at))
	le.PutUint32(h[20:], n)
	le.PutUint32(h[24:], n)
	start := len(b)
	b = appendRecord(append(b, h[:]...), f)
	if comment == "" {
		return le.AppendUint32(b, ngPacketBody+n+4)
	}
	b = appendOption(b, optComment, comment)
	b = le.AppendUint32(b, optEnd)
	return closeBlock(b, start)
}

// appendOption appends an option with a UTF-8 value, cut to what fits and padded.
func appendOption(b []byte, code uint16, v string) []byte {
	if len(v) > maxComment {
		cut := maxComment
		for cut > 0 && !utf8.RuneStart(v[cut]) {
			cut--
		}
		v = v[:cut]
	}
	if !utf8.ValidString(v) {
		v = strings.ToValidUTF8(v, "?")
	}
	b = le.AppendUint16(b, code)
	b = le.AppendUint16(b, uint16(len(v)))
	b = append(b, v...)
	for n := len(v); n%4 != 0; n++ {
		b = append(b, 0)
	}
	return b
}

// closeBlock appends the length to the block that begins at start, and sets it there.
func closeBlock(b []byte, start int) []byte {
	n := uint32(len(b) - start + 4)
	le.PutUint32(b[start+4:], n)
	return le.AppendUint32(b, n)
}

// csvEncoder writes the CSV of the package comment, all columns.
type csvEncoder struct{}

func (csvEncoder) begin(b []byte) []byte { return append(b, csvHeader+"\n"...) }

const upperHex = "0123456789ABCDEF"

func (csvEncoder) frame(b []byte, f *canbus.Frame, at time.Duration, comment string) []byte {
	b = strconv.AppendInt(b, int64(at/time.Second), 10)
	b = append(b, '.')
	frac := int64(at % time.Second)
	for unit := int64(100_000_000); unit > 0; unit /= 10 {
		b = append(b, byte('0'+frac/unit%10))
	}
	b = append(b, ',')
	b = strconv.AppendUint(b, uint64(f.Bus), 10)
	b = append(b, ',')
	digits := 3
	if f.Flags&(canbus.Extended|canbus.Error) != 0 {
		digits = 8
	}
	for i := digits - 1; i >= 0; i-- {
		b = append(b, upperHex[f.ID>>(4*i)&15])
	}
	b = append(b, ',')
	sep := false
	for _, w := range flagWords {
		if f.Flags&w.flag == 0 {
			continue
		}
		if sep {
			b = append(b, ' ')
		}
		b = append(b, w.word...)
		sep = true
	}
	b = append(b, ',')
	b = strconv.AppendUint(b, uint64(max(canbus.DLC(int(f.Len)), f.RawDLC)), 10)
	b = append(b, ',')
	for _, c := range f.Payload() {
		b = append(b, upperHex[c>>4], upperHex[c&15])
	}
	b = append(b, ',')
	return append(appendQuoted(b, comment), '\n')
}

// appendQuoted quotes a comment where RFC 4180 asks for it.
func appendQuoted(b []byte, s string) []byte {
	if len(s) > maxComment {
		s = s[:maxComment]
	}
	if !strings.ContainsAny(s, "\",\r\n") {
		return append(b, s...)
	}
	b = append(b, '"')
	for i := range len(s) {
		if s[i] == '"' {
			b = append(b, '"')
		}
		b = append(b, s[i])
	}
	return append(b, '"')
}
