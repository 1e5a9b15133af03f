package isotp

import (
	"errors"
	"fmt"

	"sawhorse/canbus"
)

// None in place of an identifier says that there is no such direction: a
// server only listens on a functional address, a tester only sends to it.
const None canbus.Key = 1 << 30

// Address is one end's view of an address pair (N_AI, ISO 15765-2:2016 clause
// 10.3). Two endpoints talk if each has the other's Reverse.
type Address struct {
	// Tx and Rx are the identifiers of the frames sent and received.
	Tx, Rx canbus.Key
	// HasExt says that the first data byte is an address: TxExt in frames
	// sent, RxExt in frames received (N_TA in extended, N_AE in mixed addressing).
	HasExt       bool
	TxExt, RxExt byte
	// Functional marks 1:n addressing, which carries single frames only.
	Functional bool
}

// Normal is normal addressing over an agreed pair of identifiers.
func Normal(tx, rx canbus.Key) Address { return Address{Tx: tx, Rx: rx} }

// Functional is normal addressing 1:n as the sender sees it; Reverse is the
// listener's view.
func Functional(tx canbus.Key) Address { return Address{Tx: tx, Rx: None, Functional: true} }

// NormalFixed is normal fixed addressing between two 8-bit node addresses:
// 29 bits, 18DA target source.
func NormalFixed(local, remote byte) Address {
	return Address{Tx: fixed(0x18DA, remote, local), Rx: fixed(0x18DA, local, remote)}
}

// NormalFixedFunctional is 18DB target source, as the sender sees it.
func NormalFixedFunctional(local, target byte) Address {
	return Functional(fixed(0x18DB, target, local))
}

// Extended is extended addressing: frames sent begin with the remote node's
// address, frames received with the local one's.
func Extended(tx, rx canbus.Key, local, remote byte) Address {
	return Address{Tx: tx, Rx: rx, HasExt: true, TxExt: remote, RxExt: local}
}

// Mixed is mixed addressing over an agreed pair of 11-bit identifiers with the
// address extension ae both ways.
func Mixed(tx, rx canbus.Key, ae byte) Address {
	return Address{Tx: tx, Rx: rx, HasExt: true, TxExt: ae, RxExt: ae}
}

// MixedFixed is mixed addressing with 29 bits: 18CE target source, address
// extension ae.
func MixedFixed(local, remote, ae byte) Address {
	return Mixed(fixed(0x18CE, remote, local), fixed(0x18CE, local, remote), ae)
}

// MixedFixedFunctional is 18CD target source, as the sender sees it.
func MixedFixedFunctional(local, target, ae byte) Address {
	return Address{Tx: fixed(0x18CD, target, local), Rx: None, HasExt: true, TxExt: ae, RxExt: ae, Functional: true}
}

func fixed(prefix uint32, target, source byte) canbus.Key {
	return canbus.KeyOf(canbus.ID(prefix<<16|uint32(target)<<8|uint32(source)), true)
}

// Reverse is the same address seen from the other end.
func (a Address) Reverse() Address {
	a.Tx, a.Rx, a.TxExt, a.RxExt = a.Rx, a.Tx, a.RxExt, a.TxExt
	return a
}

// offset is the number of bytes before the protocol control information.
func (a *Address) offset() int {
	if a.HasExt {
		return 1
	}
	return 0
}

// matches reports whether a frame carries the address in the receiving direction.
func (a *Address) matches(f *canbus.Frame) bool {
	if f.Flags&(canbus.Remote|canbus.Error) != 0 || f.Key() != a.Rx || f.Len > canbus.MaxData {
		return false
	}
	return !a.HasExt || f.Len > 0 && f.Data[0] == a.RxExt
}

func (a *Address) validate() error {
	for _, k := range [...]canbus.Key{a.Tx, a.Rx} {
		f := canbus.Frame{ID: k.ID()}
		if k.Extended() {
			f.Flags = canbus.Extended
		}
		if k == None {
			continue
		}
		if err := f.Validate(); err != nil {
			return err
		}
	}
	switch {
	case a.Tx == None && a.Rx == None:
		return errors.New("address without an identifier")
	case !a.Functional && (a.Tx == None || a.Rx == None):
		return errors.New("physical address with one direction, want both: flow control goes back")
	case a.Tx == a.Rx && (!a.HasExt || a.TxExt == a.RxExt):
		return fmt.Errorf("same identifier %v for both directions", a.Tx)
	}
	return nil
}
