package isotp

import "fmt"

// Result is the standard's N_Result (ISO 15765-2:2016 clause 8.3.7): how a
// message ended. As an error its text is the standard's name.
type Result uint8

// The results. Which side may see which is in the comments.
const (
	OK             Result = iota
	TimeoutA              // either: an own frame was not confirmed within N_As or N_Ar
	TimeoutBs             // sender: no flow control within N_Bs
	TimeoutCr             // receiver: no consecutive frame within N_Cr
	WrongSN               // receiver: sequence number out of order
	InvalidFS             // sender: reserved flow status, or overflow after the first block
	UnexpectedPDU         // receiver: a new message began before the old one ended
	WaitOverrun           // receiver: more WAITs needed than WaitMax allows
	BufferOverflow        // sender: the peer has no room for the length announced
	GeneralError          // either: the frame could not be sent, or Reset was called
)

var resultNames = [...]string{
	"N_OK", "N_TIMEOUT_A", "N_TIMEOUT_Bs", "N_TIMEOUT_Cr", "N_WRONG_SN", "N_INVALID_FS",
	"N_UNEXP_PDU", "N_WFT_OVRN", "N_BUFFER_OVFLW", "N_ERROR",
}

// String is the standard's name of the result.
func (r Result) String() string {
	if int(r) < len(resultNames) {
		return resultNames[r]
	}
	return fmt.Sprintf("N_Result(%d)", uint8(r))
}

// Error is String, so that a Result other than OK can be returned as an error.
func (r Result) Error() string { return r.String() }

// Reason says why a frame with the right address was ignored: the length rules
// of ISO 15765-2:2016 clause 9.6 and the unexpected-PDU table of clause 9.8.3.
type Reason uint8

// The reasons. Accepted is none of them.
const (
	Accepted        Reason = iota
	Empty                  // no byte of protocol control information
	SingleZero             // SF_DL is 0 in a frame of up to 8 bytes
	SingleTooLong          // SF_DL says more than the frame holds
	SingleNibble           // more than 8 bytes and the low nibble is not 0
	SingleNoEscape         // SF_DL escape for a length that fits without it
	FirstTooShort          // FF_DL below the minimum for the frame's length
	FirstNoEscape          // FF_DL escape for a length of 4095 or less
	FirstSmallFrame        // first frame in fewer than 8 bytes
	FirstNoRoom            // FF_DL beyond MaxLen; answered with overflow
	ConsecutiveDL          // CAN_DL other than RX_DL, or too short for what is left
	FlowShort              // flow control of fewer than 3 bytes
	ReservedType           // PCI type 4..F
	NotAwaited             // consecutive frame or flow control that nobody waits for
	HalfDuplexBusy         // arrived while sending segments in half duplex
	Segmented              // anything but a single frame on a functional address
	WrongDLC               // not 8 bytes where RequireDLC8 asks for them
	numReasons
)

var reasonNames = [numReasons]string{
	"accepted", "empty frame", "SF_DL is 0", "SF_DL larger than the frame", "SF_DL nibble set in a long frame",
	"SF_DL escape not needed", "FF_DL below the minimum", "FF_DL escape not needed", "first frame below 8 bytes",
	"FF_DL larger than the buffer", "CAN_DL of the consecutive frame does not fit RX_DL", "flow control too short",
	"reserved PCI type", "not awaited", "sending in half duplex", "segmented on a functional address", "data length is not 8",
}

// String says the reason in words.
func (r Reason) String() string {
	if r < numReasons {
		return reasonNames[r]
	}
	return fmt.Sprintf("reason %d", uint8(r))
}
