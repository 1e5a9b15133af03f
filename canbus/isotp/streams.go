package isotp

import (
	"time"

	"sawhorse/canbus"
)

// channel is one identifier: one stream, or one for each address byte.
type channel struct {
	off    int
	single *stream
	byExt  *[256]*stream
}

// stream is one direction of one address pair.
type stream struct {
	msg        Message
	partner    *stream // whose messages our flow control governs
	open       bool
	buf, spare []byte
	sn         byte
	dl         int
	block      int
	awaitFlow  bool
	active     time.Duration // last frame that kept the message alive
	short      [canbus.MaxData]byte
}

func (s *Sniffer) addPair(a Address) {
	var tx, rx *stream
	if a.Tx != None {
		tx = s.addStream(a.Tx, a.HasExt, a.TxExt, a.Functional)
	}
	if a.Rx != None {
		rx = s.addStream(a.Rx, a.HasExt, a.RxExt, a.Functional)
	}
	if tx != nil && rx != nil {
		tx.partner, rx.partner = rx, tx
	}
}

// addStream finds or makes a stream; a later word on an identifier counts.
func (s *Sniffer) addStream(k canbus.Key, hasExt bool, ext byte, functional bool) *stream {
	if !k.Extended() && k.ID() > canbus.MaxStandardID {
		return nil
	}
	c := s.lookUp(k)
	if c == nil {
		c = &channel{}
		if k.Extended() {
			s.ext[k] = c
		} else {
			s.std[k] = c
		}
	}
	at := &c.single
	c.off = 0
	if hasExt {
		if c.byExt == nil {
			c.byExt = new([256]*stream)
		}
		c.off, at = 1, &c.byExt[ext]
	}
	if *at == nil {
		*at = &stream{}
		s.streams = append(s.streams, *at)
	}
	(*at).msg = Message{Key: k, HasExt: hasExt, Ext: ext, Functional: functional}
	return *at
}

func (s *Sniffer) lookUp(k canbus.Key) *channel {
	if !k.Extended() {
		return s.std[k&canbus.Key(canbus.MaxStandardID)]
	}
	return s.ext[k]
}

// maxFollowed bounds the 29-bit identifiers that are followed unasked: all that
// two testers can have with 255 nodes.
const maxFollowed = 1024

// find is the stream of a frame, nil if it is nobody's. A pair of normal fixed
// addresses is made when it is first seen.
func (s *Sniffer) find(f *canbus.Frame) *stream {
	if f.Flags&(canbus.Remote|canbus.Error) != 0 || f.Len > canbus.MaxData {
		return nil
	}
	k := f.Key()
	c := s.lookUp(k)
	if c == nil {
		if !k.Extended() || s.cfg.OnlyThese {
			return nil
		}
		if len(s.ext) >= maxFollowed {
			return nil
		}
		target, source := byte(k>>8), byte(k)
		switch k.ID() >> 16 {
		case 0x18DA:
			if target == source {
				return s.addStream(k, false, 0, false)
			}
			s.addPair(NormalFixed(source, target))
		case 0x18DB:
			s.addPair(NormalFixedFunctional(source, target))
		default:
			return nil
		}
		c = s.lookUp(k)
	}
	if c.off == 0 {
		return c.single
	}
	if f.Len == 0 || c.byExt == nil {
		return nil
	}
	return c.byExt[f.Data[0]]
}
