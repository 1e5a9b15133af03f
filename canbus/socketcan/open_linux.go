package socketcan

import (
	"errors"

	"go.einride.tech/can/pkg/candevice"

	"sawhorse/canbus/clock"
)

// Open puts the loop's nodes on an interface that is up. Frames arrive with
// the kernel's receive time as time since the run began. Errors are *Error.
//
// Without Armed, an interface that is not virtual is only listened to; its
// controller still acknowledges frames, as controllers do, unless the link is
// set to listen-only mode.
func Open(iface string, loop *clock.Loop, opt Options) (*Bus, error) {
	opt.ErrorMask = AllErrors
	s, may, err := openArmed(iface, opt, true)
	if err != nil {
		return nil, &Error{Op: "open", Iface: iface, Err: err}
	}
	return newBus(iface, loop, s, opt, may, s.fd), nil
}

// openArmed opens a socket and says why it must not be sent on, if so.
func openArmed(iface string, opt Options, own bool) (s *socket, may, err error) {
	s, err = openSocket(iface, opt, own)
	if err != nil || opt.Armed {
		return s, nil, err
	}
	virtual, err := isVirtual(iface)
	if err != nil {
		return nil, nil, errors.Join(err, s.close())
	}
	if !virtual {
		may = ErrNotArmed
	}
	return s, may, nil
}

// Virtual reports whether the kernel calls the interface's link a vcan or
// vxcan (IFLA_INFO_KIND, rtnetlink(7)): one that no copper is behind.
func Virtual(iface string) (bool, error) {
	v, err := isVirtual(iface)
	if err != nil {
		return false, &Error{Op: "open", Iface: iface, Err: err}
	}
	return v, nil
}

func isVirtual(iface string) (bool, error) {
	info, err := linkInfo(iface)
	if err != nil {
		return false, err
	}
	return info.Type == candevice.VcanLinkType || info.Type == candevice.VxcanLinkType, nil
}

func linkInfo(iface string) (candevice.Info, error) {
	d, err := candevice.New(iface)
	if err != nil {
		return candevice.Info{}, cause(err)
	}
	return d.Info()
}

// SetUp gives an interface its bit rate in bit/s and brings it up, taking it
// down first if need be; a virtual one has no bit rate and takes 0. It needs
// the privilege CAP_NET_ADMIN. Errors are *Error.
func SetUp(iface string, bitRate uint32) error {
	if err := setUp(iface, bitRate); err != nil {
		return &Error{Op: "set up", Iface: iface, Err: err}
	}
	return nil
}

func setUp(iface string, bitRate uint32) error {
	if err := CheckName(iface); err != nil {
		return err
	}
	d, err := candevice.New(iface)
	if err != nil {
		return cause(err)
	}
	if bitRate > 0 {
		// The rate can't be changed while the link is up.
		if err := d.SetDown(); err != nil {
			return err
		}
		if err := d.SetBitrate(bitRate); err != nil {
			return err
		}
	}
	return d.SetUp()
}

// ControllerOf asks the kernel for the state of an interface's controller. Errors are
// *Error.
func ControllerOf(iface string) (Controller, error) {
	info, err := linkInfo(iface)
	if err != nil {
		return Controller{}, &Error{Op: "open", Iface: iface, Err: err}
	}
	c := Controller{
		Virtual: info.Type == candevice.VcanLinkType || info.Type == candevice.VxcanLinkType,
		BitRate: info.BitTiming.Bitrate,
		Tx:      info.BusErrorCounters.Txerr, Rx: info.BusErrorCounters.Rxerr,
	}
	if int(info.State) < len(states) && !c.Virtual {
		c.State = states[info.State]
	}
	return c, nil
}

// states are words for enum can_state of the kernel's linux/can/netlink.h.
var states = [...]string{
	candevice.StateErrorActive:  "error-active",
	candevice.StateErrorWarning: "error-warning",
	candevice.StateErrorPassive: "error-passive",
	candevice.StateBusOff:       "bus-off",
	candevice.StateStopped:      "stopped",
	candevice.StateSleeping:     "sleeping",
}
