package capture

import (
	"encoding/binary"
	"fmt"
	"io"
	"math/bits"
	"time"

	"sawhorse/canbus"
)

// pcapng (draft-ietf-opsawg-pcapng): blocks, each with its type @0, its total
// length @4 and again at its end, in the byte order of its section.
//
//	section    u32 byte-order magic @8, u16 major @12, u16 minor @14, i64 length @16, options @24
//	interface  u16 link type @8, u32 snap length @12, options @16
//	enhanced   u32 interface @8, u32 time high @12, u32 time low @16,
//	           u32 captured @20, u32 original @24, packet @28, options
//	obsolete   the same with u16 interface @8, u16 drops @10
//	simple     u32 original @8, packet @12
const (
	ngBlockHeader = 8
	ngBlockLeast  = 12 // header and the length again

	ngSection   = 0x0A0D0D0A // the same in both byte orders
	ngInterface = 1
	ngObsolete  = 2
	ngSimple    = 3
	ngEnhanced  = 6

	ngByteOrder   = 0x1A2B3C4D
	ngSectionBody = 24
	ngIfaceBody   = 16
	ngPacketBody  = 28
	ngSimpleBody  = 12

	optEnd       = 0
	optComment   = 1
	optIfName    = 2
	optTsResol   = 9
	optTsOffset  = 14
	optUserAppl  = 4
	optHeaderLen = 4
)

var ngMagic = []byte{0x0A, 0x0D, 0x0D, 0x0A}

type ngDecoder struct {
	r      *Reader
	big    bool
	ifaces []ngIface     // of this section
	last   time.Duration // of the frame before: simple packets have no time
}

func newPcapNG(r *Reader) (decoder, error) {
	d := &ngDecoder{r: r}
	if err := d.section(); err != nil {
		return nil, err
	}
	return d, nil
}

func (d *ngDecoder) u16(b []byte) uint16 {
	v := binary.LittleEndian.Uint16(b)
	if d.big {
		v = bits.ReverseBytes16(v)
	}
	return v
}

func (d *ngDecoder) u32(b []byte) uint32 {
	v := binary.LittleEndian.Uint32(b)
	if d.big {
		v = bits.ReverseBytes32(v)
	}
	return v
}

func (d *ngDecoder) next(f *canbus.Frame) error {
	w := &d.r.win
	for {
		if !w.need(ngBlockHeader) {
			if w.atEnd() {
				return io.EOF
			}
			return d.r.fail(w.offset(), w.short(ngBlockHeader, "a block header"), "")
		}
		typ := d.u32(w.buf[w.r:])
		var err error
		switch typ {
		case ngEnhanced, ngObsolete, ngSimple:
			var ok bool
			if ok, err = d.packet(f, typ); ok {
				return nil
			}
		case ngSection:
			err = d.section()
		case ngInterface:
			err = d.iface()
		default:
			err = d.unknown()
		}
		if err != nil {
			return err
		}
	}
}

// block returns the whole block at hand, without consuming it.
func (d *ngDecoder) block(least int, what string) ([]byte, error) {
	w := &d.r.win
	n := d.u32(w.buf[w.r+4:])
	if n < uint32(least) || n > maxBlock || n%4 != 0 {
		return nil, d.r.fail(w.offset(), fmt.Errorf("%w: %s of %d bytes", ErrFormat, what, n),
			fmt.Sprintf("a multiple of 4 from %d to %d", least, maxBlock))
	}
	if !w.need(int(n)) {
		return nil, d.r.fail(w.offset(), w.short(int64(n), what), "")
	}
	b := w.buf[w.r : w.r+int(n)]
	if end := d.u32(b[n-4:]); end != n {
		return nil, d.r.fail(w.offset(), fmt.Errorf("%w: %s of %d bytes has length %d at its end", ErrFormat, what, n, end),
			"the same length")
	}
	return b, nil
}

// unknown passes over a block of a type we have no use for, of any length.
func (d *ngDecoder) unknown() error {
	w := &d.r.win
	at := w.offset()
	typ, n := d.u32(w.buf[w.r:]), d.u32(w.buf[w.r+4:])
	if n < ngBlockLeast || n%4 != 0 {
		return d.r.fail(at, fmt.Errorf("%w: block type %X of %d bytes", ErrFormat, typ, n), "a multiple of 4 from 12 on")
	}
	if !w.skip(int64(n)-4) || !w.need(4) {
		return d.r.fail(at, w.short(int64(n), fmt.Sprintf("a block of type %X", typ)), "")
	}
	if end := d.u32(w.buf[w.r:]); end != n {
		return d.r.fail(at, fmt.Errorf("%w: block type %X of %d bytes has length %d at its end", ErrFormat, typ, n, end),
			"the same length")
	}
	w.r += 4
	return nil
}

// section starts a section, which may change the byte order.
func (d *ngDecoder) section() error {
	w := &d.r.win
	if !w.need(ngBlockHeader + 4) {
		return d.r.fail(w.offset(), w.short(ngBlockHeader+4, "a section header"), "")
	}
	switch m := binary.LittleEndian.Uint32(w.buf[w.r+8:]); m {
	case ngByteOrder:
		d.big = false
	case bits.ReverseBytes32(ngByteOrder):
		d.big = true
	default:
		return d.r.fail(w.offset()+8, fmt.Errorf("%w: byte-order magic %08X", ErrFormat, m), "1A2B3C4D in either order")
	}
	b, err := d.block(ngSectionBody+4, "a section header")
	if err != nil {
		return err
	}
	if major := d.u16(b[12:]); major != 1 {
		return d.r.fail(w.offset()+12, fmt.Errorf("%w: pcapng version %d.%d", ErrFormat, major, d.u16(b[14:])), "version 1")
	}
	d.ifaces = d.ifaces[:0]
	w.r += len(b)
	return nil
}

// packet reads one packet block; ok is false if it was passed over.
func (d *ngDecoder) packet(f *canbus.Frame, typ uint32) (ok bool, err error) {
	w := &d.r.win
	least := ngPacketBody + 4
	if typ == ngSimple {
		least = ngSimpleBody + 4
	}
	b, err := d.block(least, "a packet block")
	if err != nil {
		return false, err
	}
	at := w.offset()
	var id uint32
	if typ == ngEnhanced {
		id = d.u32(b[8:])
	} else if typ == ngObsolete {
		id = uint32(d.u16(b[8:]))
	}
	if id >= uint32(len(d.ifaces)) {
		w.r += len(b)
		d.r.frames++
		d.r.pass(at, fmt.Errorf("%w: a packet of interface %d, which no block describes", ErrFormat, id), "")
		return false, nil
	}
	in := &d.ifaces[id]
	if in.link != linkTypeCAN {
		return false, d.r.fail(at, fmt.Errorf("%w: interface %d%s has link type %d", ErrLinkType, id, quoted(in.name), in.link), wantLink)
	}
	w.r += len(b)
	d.r.frames++
	if typ == ngSimple {
		return d.simple(f, b, in, at), nil
	}
	n, orig := d.u32(b[20:]), d.u32(b[24:])
	room := uint32(len(b) - ngPacketBody - 4)
	if n > room {
		d.r.pass(at, fmt.Errorf("%w: %d captured bytes in a block with room for %d", ErrFormat, n, room), "")
		return false, nil
	}
	if err := decodeRecord(f, b[ngPacketBody:ngPacketBody+n], int(orig)); err != nil {
		d.r.pass(at, err, "")
		return false, nil
	}
	t, ok := in.time(uint64(d.u32(b[12:]))<<32 | uint64(d.u32(b[16:])))
	if !ok {
		d.r.pass(at, fmt.Errorf("%w: a time beyond the year 2262", ErrFormat), "")
		return false, nil
	}
	f.Time, f.Bus, d.last = t, in.bus, t
	if opts := b[ngPacketBody+(n+3)&^3 : len(b)-4]; len(opts) > 0 {
		d.comments(opts)
	}
	return true, nil
}

func (d *ngDecoder) simple(f *canbus.Frame, b []byte, in *ngIface, at int64) bool {
	orig := d.u32(b[8:])
	n := min(orig, uint32(len(b)-ngSimpleBody-4))
	if in.snap > 0 {
		n = min(n, in.snap)
	}
	if err := decodeRecord(f, b[ngSimpleBody:ngSimpleBody+n], int(orig)); err != nil {
		d.r.pass(at, err, "")
		return false
	}
	f.Time, f.Bus = d.last, in.bus
	return true
}

// comments keeps the opt_comment values of a packet's options.
func (d *ngDecoder) comments(opts []byte) {
	d.options(opts, func(code uint16, v []byte) {
		switch {
		case code != optComment:
		case d.r.comment == nil:
			d.r.comment = v
		default:
			d.r.scratch = append(append(append(d.r.scratch[:0], d.r.comment...), '\n'), v...)
			d.r.comment = d.r.scratch
		}
	})
}
