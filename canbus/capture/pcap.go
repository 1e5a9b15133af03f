package capture

import (
	"encoding/binary"
	"fmt"
	"io"
	"math/bits"
	"time"

	"sawhorse/canbus"
)

// Classic pcap (draft-ietf-opsawg-pcap): a file header of 24 bytes, then
// packets, each behind a header of 16 bytes, all in the writer's byte order.
//
//	file   u32 magic @0, u16 major @4, u16 minor @6, 8 bytes @8, u32 snap length @16, u32 link type @20
//	packet u32 seconds @0, u32 fraction @4, u32 captured @8, u32 original @12
const (
	pcapHeader = 24
	pcapPacket = 16

	pcapMagicMicro = 0xA1B2C3D4
	pcapMagicNano  = 0xA1B23C4D

	// pcapMaxPacket is the largest snap length that libpcap accepts.
	pcapMaxPacket = 256 << 10
)

type pcapDecoder struct {
	r    *Reader
	big  bool
	unit uint32 // ns in one unit of the fraction
}

// pcapMagic tells byte order and time unit from the first four bytes.
func pcapMagic(b []byte) (big bool, unit uint32, ok bool) {
	for _, big := range []bool{false, true} {
		m := binary.LittleEndian.Uint32(b)
		if big {
			m = bits.ReverseBytes32(m)
		}
		switch m {
		case pcapMagicMicro:
			return big, 1000, true
		case pcapMagicNano:
			return big, 1, true
		}
	}
	return false, 0, false
}

func newPcap(r *Reader) (decoder, error) {
	d := &pcapDecoder{r: r}
	w := &r.win
	if !w.need(pcapHeader) {
		return nil, r.fail(w.offset(), w.short(pcapHeader, "the pcap file header"), "")
	}
	b := w.buf[w.r : w.r+pcapHeader]
	d.big, d.unit, _ = pcapMagic(b)
	major, minor := d.u16(b[4:]), d.u16(b[6:])
	if major != 2 || minor != 4 {
		return nil, r.fail(w.offset()+4, fmt.Errorf("%w: pcap version %d.%d", ErrFormat, major, minor), "version 2.4")
	}
	// The upper bits of the field tell about check sums of other networks.
	if link := d.u32(b[20:]) & 0xFFFF; link != linkTypeCAN {
		return nil, r.fail(w.offset()+20, fmt.Errorf("%w: interface 0 has link type %d", ErrLinkType, link), wantLink)
	}
	w.r += pcapHeader
	r.buses = append(r.buses, "")
	return d, nil
}

func (d *pcapDecoder) u16(b []byte) uint16 {
	v := binary.LittleEndian.Uint16(b)
	if d.big {
		v = bits.ReverseBytes16(v)
	}
	return v
}

func (d *pcapDecoder) u32(b []byte) uint32 {
	v := binary.LittleEndian.Uint32(b)
	if d.big {
		v = bits.ReverseBytes32(v)
	}
	return v
}

func (d *pcapDecoder) next(f *canbus.Frame) error {
	w := &d.r.win
	for {
		if !w.need(pcapPacket) {
			if w.atEnd() {
				return io.EOF
			}
			return d.r.fail(w.offset(), w.short(pcapPacket, "a packet header"), "")
		}
		h := w.buf[w.r : w.r+pcapPacket]
		sec, frac, n, orig := d.u32(h), d.u32(h[4:]), d.u32(h[8:]), d.u32(h[12:])
		if n > pcapMaxPacket {
			return d.r.fail(w.offset(), fmt.Errorf("%w: a packet of %d bytes", ErrFormat, n), "at most 262144")
		}
		size := pcapPacket + int(n)
		if !w.need(size) {
			return d.r.fail(w.offset(), w.short(int64(size), "a packet"), "")
		}
		at := w.offset()
		b := w.buf[w.r+pcapPacket : w.r+size]
		w.r += size
		d.r.frames++
		if uint64(frac)*uint64(d.unit) >= uint64(time.Second) {
			d.r.pass(at, fmt.Errorf("%w: %d in the fraction of a second", ErrFormat, frac), "less than one second")
			continue
		}
		if err := decodeRecord(f, b, int(orig)); err != nil {
			d.r.pass(at, err, "")
			continue
		}
		f.Bus = 0
		f.Time = time.Duration(sec)*time.Second + time.Duration(frac*d.unit)
		return nil
	}
}
