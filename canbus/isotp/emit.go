package isotp

import "sawhorse/canbus"

// NextFrame sets f to the frame to put on the bus now, if there is one. It
// gives no other until that one is confirmed by Sent, is given up by Lost, or
// its time N_As or N_Ar is over.
func (e *Endpoint) NextFrame(f *canbus.Frame) bool {
	if e.out.kind != slotFree {
		return false
	}
	var buf [canbus.MaxData]byte
	b := buf[:0]
	if e.off > 0 {
		b = append(b, e.cfg.TxExt)
	}
	switch {
	case e.rx.asked:
		e.rx.asked = false
		e.rx.announced = e.announce(e.rx.demand.BlockSize)
		b = appendFlow(b, Flow{Status: e.rx.fs, BlockSize: e.rx.announced, STmin: e.announce(e.rx.demand.STmin)})
		e.out = slot{kind: slotFlow, fs: e.rx.fs}
	case e.tx.asked:
		e.tx.asked = false
		var n int
		b, n = e.appendData(b)
		e.out = slot{kind: slotData, chunk: n}
	default:
		return false
	}
	e.fill(f, b)
	return true
}

// announce is a value of flow control, which means something in
// continue-to-send only.
func (e *Endpoint) announce(v byte) byte {
	if e.rx.fs != ContinueToSend {
		return 0
	}
	return v
}

// fill makes the frame around the bytes of a PDU, padded as configured.
func (e *Endpoint) fill(f *canbus.Frame, b []byte) {
	*f = canbus.Frame{ID: e.cfg.Tx.ID()}
	if e.cfg.Tx.Extended() {
		f.Flags |= canbus.Extended
	}
	if e.cfg.FD {
		f.Flags |= canbus.FD
	}
	if e.cfg.BRS {
		f.Flags |= canbus.BitRateSwitch
	}
	n := copy(f.Data[:], b)
	end := canbus.LengthOf(canbus.DLC(n))
	if e.cfg.Pad {
		end = max(end, canbus.MaxClassicData)
	}
	for i := n; i < end; i++ {
		f.Data[i] = e.cfg.PadByte
	}
	f.Len = uint8(end)
}
